/* Late rotation, float32 path. Rodrigues' formula; sine and cosine by their series, so that no library is needed. */
#include "prewarp_turn.h"

#include "prewarp_float.h"

static int is_still(const prewarp_head *head)
{
    return head->rate[0] == 0.0f && head->rate[1] == 0.0f && head->rate[2] == 0.0f;
}

static float time_of(const prewarp_scan *scan, const prewarp_head *head, const float panel_px[2])
{
    return scan->lit_s + scan->lit_s_per_u * panel_px[0] + scan->lit_s_per_v * panel_px[1] - head->drawn_for_s;
}

/* Square of the angle turned by after a time; false for one too large, or no number. */
static int small_turn(const prewarp_head *head, float time, float turn[3], float *squared)
{
    uint32_t axis;
    for (axis = 0; axis < 3u; axis++)
        turn[axis] = head->rate[axis] * time;
    *squared = turn[0] * turn[0] + turn[1] * turn[1] + turn[2] * turn[2];
    return *squared <= PREWARP_FARTHEST_TURN * PREWARP_FARTHEST_TURN;
}

/* s cos w + (turn x s) sin w / w + turn (turn . s) (1 - cos w) / w^2; false where it does not look forward */
static int turned(const prewarp_head *head, float time, const float direction[2], float out[2])
{
    float turn[3], squared, x = direction[0], y = direction[1], first, second, cosine, along, depth;
    if (!small_turn(head, time, turn, &squared))
        return 0;
    first = 1.0f - squared * (1.0f / 6.0f - squared * (1.0f / 120.0f - squared * (1.0f / 5040.0f)));
    second = 0.5f - squared * (1.0f / 24.0f - squared * (1.0f / 720.0f - squared * (1.0f / 40320.0f)));
    cosine = 1.0f - squared * second;
    along = second * (turn[0] * x + turn[1] * y + turn[2]);
    depth = cosine + first * (turn[0] * y - turn[1] * x) + along * turn[2];
    out[0] = (cosine * x + first * (turn[1] - turn[2] * y) + along * turn[0]) / depth;
    out[1] = (cosine * y + first * (turn[2] * x - turn[0]) + along * turn[1]) / depth;
    return depth > 0.0f;
}

prewarp_status prewarp_turn(const prewarp_scan *scan, const prewarp_head *head, const float panel_px[2],
                            float direction[2])
{
    float out[2];
    if (is_still(head))
        return PREWARP_OK;
    if (!turned(head, time_of(scan, head, panel_px), direction, out))
        return PREWARP_REFUSED;
    direction[0] = out[0];
    direction[1] = out[1];
    return PREWARP_OK;
}

prewarp_status prewarp_turn_mesh(const prewarp_map *map, const prewarp_scan *scan, const prewarp_head *head,
                                 uint32_t columns, uint32_t rows, float *directions)
{
    float panel_px[2], out[2];
    uint32_t row, column, pass;
    if (columns < 2u || rows < 2u || columns > 4097u || rows > 4097u)
        return PREWARP_NO_SUCH;
    if (is_still(head))
        return PREWARP_OK;
    /* Once to see that all can be turned, then in place. */
    for (pass = 0; pass < 2u; pass++) {
        float *node = directions;
        for (row = 0; row < rows; row++) {
            panel_px[1] = map->height * ((float)row / (float)(rows - 1u));
            for (column = 0; column < columns; column++, node += 2) {
                panel_px[0] = map->width * ((float)column / (float)(columns - 1u));
                if (!turned(head, time_of(scan, head, panel_px), node, out))
                    return PREWARP_REFUSED;
                if (pass == 1u)
                    memcpy(node, out, sizeof out);
            }
        }
    }
    return PREWARP_OK;
}
