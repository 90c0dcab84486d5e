/* Late rotation, integer path. */
#include "prewarp_turn.h"

#include "prewarp_fixed.h"

#define TIME_ONE 40
#define RATE_ONE 20
/* PREWARP_FARTHEST_TURN, as a number of 2^-28 */
#define FARTHEST_TURN ((int64_t)96636764)
/* Times of at most this, of 2^-40 s, keep products within 64 bits: one second. */
#define LONGEST ((int64_t)1 << TIME_ONE)
/* A direction that loses more of its depth than this is as good as across. */
#define LEAST_DEPTH (UNIT / 8)

static int is_still(const prewarp_fixed_head *head)
{
    return head->rate[0] == 0 && head->rate[1] == 0 && head->rate[2] == 0;
}

static int within(int64_t value, int64_t limit)
{
    return value <= limit && value >= -limit;
}

/* Time since the pose drawn for, of 2^-40 s; false for one out of all range. `panel`: 1/16384 px. */
static int time_of(const prewarp_fixed_scan *scan, const prewarp_fixed_head *head, const int32_t panel[2],
                   int64_t *time)
{
    /* 10 ms a px and 32768 px: products stay below 2^63. */
    const int64_t steepest = LONGEST / 100, widest = (int64_t)1 << 29;
    if (!within(scan->lit, LONGEST) || !within(head->drawn_for, LONGEST) || !within(scan->lit_per_u, steepest)
        || !within(scan->lit_per_v, steepest) || !within(panel[0], widest) || !within(panel[1], widest))
        return 0;
    *time = shifted(scan->lit_per_u * panel[0], PANEL_ONE) + shifted(scan->lit_per_v * panel[1], PANEL_ONE);
    *time += scan->lit - head->drawn_for;
    return within(*time, LONGEST);
}

static int small_turn(const prewarp_fixed_head *head, int64_t time, int64_t turn[3], int64_t *squared)
{
    /* A rate of 2^31 and a time of 2^30 stay within 64 bits. */
    const int64_t coarse = shifted(time, TIME_ONE - 30);
    uint32_t axis;
    *squared = 0;
    for (axis = 0; axis < 3u; axis++) {
        turn[axis] = shifted((int64_t)head->rate[axis] * coarse, RATE_ONE + 30 - ONE);
        if (!within(turn[axis], FARTHEST_TURN))
            return 0;
        *squared += product(turn[axis], turn[axis]);
    }
    return *squared <= product(FARTHEST_TURN, FARTHEST_TURN);
}

/* value / depth, both of 2^-28, rounded half away from zero; depth is positive */
static int64_t divided(int64_t value, int64_t depth)
{
    const int64_t size = value < 0 ? -value : value, whole = (size * UNIT + depth / 2) / depth;
    return value < 0 ? -whole : whole;
}

static int turned(const prewarp_fixed_head *head, int64_t time, const int32_t direction[2], int32_t out[2])
{
    int64_t turn[3], squared, first, second, cosine, along, depth, right, up;
    const int64_t x = direction[0], y = direction[1];
    if (!small_turn(head, time, turn, &squared))
        return 0;
    first = UNIT - product(squared, UNIT / 6 - product(squared, UNIT / 120 - squared / 5040));
    second = UNIT / 2 - product(squared, UNIT / 24 - product(squared, UNIT / 720 - squared / 40320));
    cosine = UNIT - product(squared, second);
    along = product(second, product(turn[0], x) + product(turn[1], y) + turn[2]);
    depth = cosine + product(first, product(turn[0], y) - product(turn[1], x)) + product(along, turn[2]);
    if (depth < LEAST_DEPTH)
        return 0;
    right = product(cosine, x) + product(first, turn[1] - product(turn[2], y)) + product(along, turn[0]);
    up = product(cosine, y) + product(first, product(turn[2], x) - turn[0]) + product(along, turn[1]);
    out[0] = cut(divided(right, depth));
    out[1] = cut(divided(up, depth));
    return 1;
}

prewarp_status prewarp_fixed_turn(const prewarp_fixed_scan *scan, const prewarp_fixed_head *head,
                                  const int32_t panel[2], int32_t direction[2])
{
    int32_t out[2];
    int64_t time;
    if (is_still(head))
        return PREWARP_OK;
    if (!time_of(scan, head, panel, &time) || !turned(head, time, direction, out))
        return PREWARP_REFUSED;
    direction[0] = out[0];
    direction[1] = out[1];
    return PREWARP_OK;
}

/* Place of a node along a side of the panel, 1/16384 px. `length`: px. */
static int32_t node_at(int32_t length, uint32_t place, uint32_t count)
{
    const int64_t last = (int64_t)count - 1;
    return (int32_t)((((int64_t)length << PANEL_ONE) * (int64_t)place + last / 2) / last);
}

prewarp_status prewarp_fixed_turn_mesh(const prewarp_fixed_map *map, const prewarp_fixed_scan *scan,
                                       const prewarp_fixed_head *head, uint32_t columns, uint32_t rows,
                                       int32_t *directions)
{
    int32_t panel[2], out[2];
    int64_t time;
    uint32_t row, column, pass;
    if (columns < 2u || rows < 2u || columns > 4097u || rows > 4097u)
        return PREWARP_NO_SUCH;
    if (is_still(head))
        return PREWARP_OK;
    for (pass = 0; pass < 2u; pass++) {
        int32_t *node = directions;
        for (row = 0; row < rows; row++) {
            panel[1] = node_at(map->height, row, rows);
            for (column = 0; column < columns; column++, node += 2) {
                panel[0] = node_at(map->width, column, columns);
                if (!time_of(scan, head, panel, &time) || !turned(head, time, node, out))
                    return PREWARP_REFUSED;
                if (pass == 1u)
                    memcpy(node, out, sizeof out);
            }
        }
    }
    return PREWARP_OK;
}
