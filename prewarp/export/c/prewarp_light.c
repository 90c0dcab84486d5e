/* Weights and gains, float32 path: shares of light of the channels that are lit in a direction, and gains that follow the
 * pupil. Every sum has one order, as in prewarp_float.c. */
#include "prewarp_float.h"

#include <math.h>

/* A number from 0 to 4 that rises with the angle of (x, y) about 0, without trigonometry. Nothing is worked out under a
 * condition, so that loops over it become vector instructions. */
static inline float turning(float x, float y)
{
    const float share = y / (fabsf(x) + fabsf(y) + 1e-30f);
    const float sign = x < 0.0f ? -1.0f : 1.0f, from = x < 0.0f ? 2.0f : y < 0.0f ? 4.0f : 0.0f;
    return from + sign * share;
}

/* e^x for x within 66 of 0 */
static float exponential(float x)
{
    static const float terms[6] = {1.3333558e-3f, 9.6181291e-3f, 5.5504109e-2f, 2.4022651e-1f, 6.9314718e-1f, 1.0f};
    float power = bounded(x * 1.44269504f, 96.0f), whole = floorf(power + 0.5f), part = power - whole;
    float value = 1.5403530e-4f;
    uint32_t k;
    for (k = 0; k < 6u; k++)
        value = value * part + terms[k];
    return value * f32_from_bits((uint32_t)((int32_t)whole + 127) << 23);
}

/* ---- what is lit ---- */

static const unsigned char *border_of(const prewarp_lookup *lookup, uint32_t map)
{
    return prewarp_record(lookup, PREWARP_SECTION_BORDERS, PREWARP_BORDER_BYTES, map);
}

static uint32_t region_count(const prewarp_lookup *lookup, uint32_t map)
{
    return prewarp_u16(border_of(lookup, map) + PREWARP_BORDER_REGION_COUNT);
}

static uint32_t channel_of(const prewarp_lookup *lookup, uint32_t map)
{
    return prewarp_u16(prewarp_map_record(lookup, map) + PREWARP_MAP_CHANNEL);
}

size_t prewarp_light_count(const prewarp_lookup *lookup)
{
    size_t count = 0;
    uint32_t map;
    for (map = 0; map < lookup->border_count; map++)
        count += (size_t)prewarp_border_points(lookup, map) * 3u + PREWARP_BORDER_NUMBERS;
    return count;
}

/* Turns vertices (x, y, angle) that run clockwise around, so that they run the other way. */
static void reversed(float *vertices, uint32_t count)
{
    uint32_t low, entry;
    for (low = 0; low < count / 2u; low++) {
        float *one = vertices + 3u * low, *other = vertices + 3u * (count - 1u - low);
        for (entry = 0; entry < 3u; entry++) {
            float held = one[entry];
            one[entry] = other[entry];
            other[entry] = held;
        }
    }
}

/* Begins with vertex `first`: three turns end for end. */
static void rolled(float *vertices, uint32_t count, uint32_t first)
{
    reversed(vertices, first);
    reversed(vertices + 3u * (size_t)first, count - first);
    reversed(vertices, count);
}

/* Half sizes of two boxes about the middle. The inner one lies inside every line of a border, whichever is asked for, by 1/32
 * of its size: far more than is rounded, unless a border is some thousand times wider than the box; then it is 0.
 * The outer one lies around the border, 1/32 wider: beyond it nothing is shown. */
static void find_boxes(const float *vertices, uint32_t count, float inner[2], float outer[2])
{
    float widest[2] = {0.0f, 0.0f}, share = 1.0f;
    uint32_t k, axis;
    for (k = 0; k < count; k++) {
        for (axis = 0; axis < 2u; axis++) {
            const float size = fabsf(vertices[3u * k + axis]);
            widest[axis] = size > widest[axis] ? size : widest[axis];
        }
    }
    for (k = 0; k < count; k++) {
        const float *here = vertices + 3u * k, *there = vertices + 3u * (k + 1u < count ? k + 1u : 0u);
        const float along[2] = {there[0] - here[0], there[1] - here[1]};
        const float reach = fabsf(along[0]) * widest[1] + fabsf(along[1]) * widest[0];
        const float beside = along[1] * here[0] - along[0] * here[1];
        if (!(beside >= share * reach)) /* a line of no length is beside nothing */
            share = beside > 0.0f ? beside / reach : 0.0f;
    }
    share = share * 0.96875f - 0.0009765625f;
    for (axis = 0; axis < 2u; axis++) {
        inner[axis] = share > 0.0f ? widest[axis] * share : 0.0f;
        outer[axis] = widest[axis] * 1.03125f;
    }
}

static void prepare_border(const prewarp_lookup *lookup, uint32_t place, const prewarp_map *map, float *memory)
{
    const unsigned char *record = border_of(lookup, place);
    prewarp_block block = prewarp_block_at(lookup, prewarp_u16(record + PREWARP_BORDER_BLOCK));
    uint32_t count = block.count / 2u, k, first = 0;
    float *vertices = memory + PREWARP_BORDER_NUMBERS, middle_px[2], area = 0.0f;
    const float per_u = map->width / 65535.0f, per_v = map->height / 65535.0f;
    middle_px[0] = prewarp_f32(record + PREWARP_BORDER_MIDDLE);
    middle_px[1] = prewarp_f32(record + PREWARP_BORDER_MIDDLE + 4u);
    prewarp_direction_from_panel(map, middle_px, memory);
    for (k = 0; k < count; k++) {
        float pixel[2], *own = vertices + 3u * k;
        pixel[0] = (float)prewarp_code(&block, 2u * k) * per_u;
        pixel[1] = (float)prewarp_code(&block, 2u * k + 1u) * per_v;
        prewarp_direction_from_panel(map, pixel, own);
        own[0] -= memory[0];
        own[1] -= memory[1];
        own[2] = turning(own[0], own[1]);
    }
    for (k = 0; k < count; k++) {
        const float *here = vertices + 3u * k, *there = vertices + 3u * (k + 1u < count ? k + 1u : 0u);
        area += here[0] * there[1] - here[1] * there[0];
    }
    if (area < 0.0f)
        reversed(vertices, count);
    for (k = 1; k < count; k++) {
        if (vertices[3u * k + 2u] < vertices[3u * first + 2u])
            first = k;
    }
    rolled(vertices, count, first);
    for (k = 1; k < count; k++) {
        if (vertices[3u * k + 2u] < vertices[3u * k - 1u])
            vertices[3u * k + 2u] = vertices[3u * k - 1u];
    }
    find_boxes(vertices, count, memory + 2, memory + 4);
}

prewarp_status prewarp_prepare_light(const prewarp_lookup *lookup, const float pupil_mm[3], const prewarp_map *maps,
                                     uint32_t map_count, float *memory, size_t count, prewarp_light *light)
{
    const unsigned char *display = prewarp_record(lookup, PREWARP_SECTION_DISPLAY, PREWARP_DISPLAY_BYTES, 0);
    uint32_t axis, map;
    if (map_count != lookup->map_count)
        return PREWARP_NO_SUCH;
    for (map = 0; map < map_count; map++) {
        if (maps[map].place != map)
            return PREWARP_NO_SUCH;
    }
    if (count < prewarp_light_count(lookup))
        return PREWARP_TOO_SMALL;
    for (axis = 0; axis < 3u; axis++) {
        float low = prewarp_f32(display + PREWARP_DISPLAY_PUPIL_LOW + 4u * axis);
        float high = prewarp_f32(display + PREWARP_DISPLAY_PUPIL_HIGH + 4u * axis);
        float above = pupil_mm[axis] > low ? pupil_mm[axis] : low;
        light->pupil_mm[axis] = above < high ? above : high;
    }
    light->lookup = lookup;
    light->maps = maps;
    for (map = 0; map < lookup->border_count; map++) {
        light->borders[map] = memory;
        prepare_border(lookup, map, maps + map, memory);
        memory += (size_t)prewarp_border_points(lookup, map) * 3u + PREWARP_BORDER_NUMBERS;
    }
    return PREWARP_OK;
}

/* Vertices at or before an angle; they rise. `near`: the answer for a direction close by, looked at first. */
static uint32_t vertices_before(const float *vertices, uint32_t count, float angle, uint32_t near)
{
    uint32_t low = 0, high = count;
    if ((near == 0u || vertices[3u * near - 1u] <= angle) && (near == count || angle < vertices[3u * near + 2u]))
        return near;
    while (low < high) {
        uint32_t middle = (low + high) / 2u;
        if (angle < vertices[3u * middle + 2u])
            high = middle;
        else
            low = middle + 1u;
    }
    return low;
}

/* The piece of a border that lies ahead of directions whose angles are at least `low` and below `high`. */
typedef struct {
    const float *here;
    float along[2], low, high;
    uint32_t before;
} piece;

static piece piece_ahead(const float *memory, uint32_t count, float angle, uint32_t near)
{
    const float *vertices = memory + PREWARP_BORDER_NUMBERS, *there;
    piece found;
    found.before = vertices_before(vertices, count, angle, near);
    found.here = vertices + 3u * (found.before > 0u ? found.before - 1u : count - 1u);
    there = found.here == vertices + 3u * (count - 1u) ? vertices : found.here + 3;
    found.along[0] = there[0] - found.here[0];
    found.along[1] = there[1] - found.here[1];
    found.low = found.before > 0u ? found.here[2] : -1.0f;
    found.high = found.before < count ? vertices[3u * found.before + 2u] : 5.0f;
    return found;
}

/* Distance of a place from the line of a piece times its length: above 0 inside. */
static inline float beside_piece(const piece *own, float x, float y)
{
    return own->along[0] * (y - own->here[1]) - own->along[1] * (x - own->here[0]);
}

static inline int in_box(const float half[2], float x, float y) /* about the middle */
{
    return fabsf(x) < half[0] && fabsf(y) < half[1];
}

/* x0, y0 of a ray, normalised by the frame of a region or a gain */
static void reference(const prewarp_light *light, const unsigned char *centre, const unsigned char *half,
                      const float direction[2], float place[2])
{
    uint32_t axis;
    for (axis = 0; axis < 2u; axis++)
        place[axis] = ((light->pupil_mm[axis] - light->pupil_mm[2] * direction[axis]) - prewarp_f32(centre + 4u * axis)) /
                      prewarp_f32(half + 4u * axis);
}

/* Above 0 where a ray is lit. */
static float region_value(const prewarp_light *light, const unsigned char *record, float s, float t,
                          const float direction[2])
{
    prewarp_block block = prewarp_block_at(light->lookup, prewarp_u16(record + PREWARP_REGION_BLOCK));
    uint32_t degree = prewarp_u16(record + PREWARP_REGION_DEGREE), most = prewarp_u16(record + PREWARP_REGION_PUPIL_DEGREE);
    float u[PREWARP_MAX_REGION_DEGREE + 1u], v[PREWARP_MAX_REGION_DEGREE + 1u];
    float p[PREWARP_MAX_REGION_DEGREE + 1u], q[PREWARP_MAX_REGION_DEGREE + 1u], place[2] = {0.0f, 0.0f}, value = 0.0f;
    uint32_t total, b, c, d, term = 0;
    reference(light, record + PREWARP_REGION_CENTRE, record + PREWARP_REGION_HALF, direction, place);
    chebyshev(s, degree, u);
    chebyshev(t, degree, v);
    chebyshev(place[0], degree, p);
    chebyshev(place[1], degree, q);
    for (total = 0; total <= degree; total++) {
        for (d = 0; d <= total; d++) {
            for (c = 0; c <= total - d && c + d <= most; c++) {
                for (b = 0; b <= total - d - c; b++, term++)
                    value += (float)prewarp_i16(block.numbers + 2u * (size_t)term) * (u[total - d - c - b] * v[b] * p[c] * q[d]);
            }
        }
    }
    return value;
}

/* Whether a map's regions show a direction inside its border; 1 where it has none. */
static int regions_show(const prewarp_light *light, uint32_t map, const float direction[2])
{
    const unsigned char *record = border_of(light->lookup, map);
    uint32_t count = region_count(light->lookup, map), region = prewarp_u16(record + PREWARP_BORDER_FIRST_REGION);
    const prewarp_map *own = light->maps + map;
    float pixel[2], s, t;
    if (count == 0u)
        return 1;
    if (prewarp_panel_from_direction(own, direction, pixel) == PREWARP_NOT_CONVERGED)
        return 0;
    s = (2.0f * pixel[0] - own->width) / own->width;
    t = (2.0f * pixel[1] - own->height) / own->height;
    for (; count > 0u; count--, region++) {
        record = prewarp_record(light->lookup, PREWARP_SECTION_REGIONS, PREWARP_REGION_BYTES, region);
        if (!(region_value(light, record, s, t, direction) > 0.0f))
            return 0;
    }
    return 1;
}

static int map_shows(const prewarp_light *light, uint32_t map, const float direction[2])
{
    const float *memory = light->borders[map], x = direction[0] - memory[0], y = direction[1] - memory[1];
    if (!in_box(memory + 4, x, y))
        return 0;
    if (!in_box(memory + 2, x, y)) {
        const piece ahead = piece_ahead(memory, prewarp_border_points(light->lookup, map), turning(x, y), 0);
        if (!(beside_piece(&ahead, x, y) > 0.0f))
            return 0;
    }
    return regions_show(light, map, direction);
}

int prewarp_is_lit(const prewarp_light *light, uint32_t channel, const float direction[2])
{
    uint32_t map;
    if (channel >= light->lookup->channel_count)
        return 0;
    for (map = 0; map < light->lookup->border_count; map++) {
        if (channel_of(light->lookup, map) == channel && !map_shows(light, map, direction))
            return 0;
    }
    return 1;
}

/* Degrees of a small step of a direction, between those across and along the radius, from the square of its tangent:
 * (1 + square)^(-3/4), up to 60 degrees by a ratio of polynomials. */
static inline float near_degrees(float square)
{
    const float above = (3.3757699f * square + 37.3309f) * square + 57.295715f;
    const float below = ((0.020886298f * square + 0.45426834f) * square + 1.4014885f) * square + 1.0f;
    return above / below;
}

static float degrees_per_unit(float square)
{
    float root;
    if (square <= 3.0f)
        return near_degrees(square);
    root = sqrtf(1.0f + square);
    return PREWARP_DEGREES / (root * sqrtf(root));
}

/* One over the length of a piece; 0 of one that has none. */
static float per_length(const piece *own)
{
    const float square = own->along[0] * own->along[0] + own->along[1] * own->along[1];
    return square > 0.0f ? 1.0f / sqrtf(square) : 0.0f;
}

/* Cut to a limit either way, what is no number to the lower one. */
static inline float cut(float depth, float limit)
{
    const float above = depth > -limit ? depth : -limit;
    return above < limit ? above : limit;
}

/* Depth in a map's regions of a direction `depth` inside its border; `depth` where it has none. */
static float depth_in_regions(const prewarp_light *light, uint32_t map, const float direction[2], float depth, float per_unit,
                              float limit_deg)
{
    const unsigned char *record = border_of(light->lookup, map);
    uint32_t count = region_count(light->lookup, map), region = prewarp_u16(record + PREWARP_BORDER_FIRST_REGION);
    const prewarp_map *own = light->maps + map;
    float pixel[2], beside[2][2], across[2], down[2], s, t, scale;
    if (count == 0u || !(depth > -limit_deg))
        return depth;
    if (prewarp_panel_from_direction(own, direction, pixel) == PREWARP_NOT_CONVERGED)
        return -limit_deg;
    s = (2.0f * pixel[0] - own->width) / own->width;
    t = (2.0f * pixel[1] - own->height) / own->height;
    /* What 1/64 of half the panel's size spans here, degrees. */
    beside[0][0] = pixel[0] + own->width * 0.0078125f;
    beside[0][1] = pixel[1];
    beside[1][0] = pixel[0];
    beside[1][1] = pixel[1] + own->height * 0.0078125f;
    prewarp_direction_from_panel(own, beside[0], across);
    prewarp_direction_from_panel(own, beside[1], down);
    scale = (across[0] - direction[0]) * (down[1] - direction[1]) - (across[1] - direction[1]) * (down[0] - direction[0]);
    scale = sqrtf(fabsf(scale)) * per_unit;
    for (; count > 0u; count--, region++) {
        float here, slope[2], steep, lit;
        record = prewarp_record(light->lookup, PREWARP_SECTION_REGIONS, PREWARP_REGION_BYTES, region);
        here = region_value(light, record, s, t, direction);
        /* Value over slope: distance on the panel, in such steps. */
        slope[0] = region_value(light, record, s + 0.015625f, t, direction) - here;
        slope[1] = region_value(light, record, s, t + 0.015625f, direction) - here;
        steep = sqrtf(slope[0] * slope[0] + slope[1] * slope[1]);
        lit = steep > 0.0f ? here / steep * scale : here > 0.0f ? limit_deg : -limit_deg;
        depth = lit < depth ? lit : depth;
    }
    return depth > -limit_deg ? depth : -limit_deg;
}

/* ---- directions side by side ---- */

/* So many: loops of a fixed length become vector instructions. */
#define AT_ONCE 16u

/* Directions and the box around them; none where one is not a number. */
typedef struct {
    float x[AT_ONCE], y[AT_ONCE], low[2], high[2];
} row_part;

static void take_part(const float *directions, row_part *part)
{
    uint32_t k, odd = 0;
    float low_x = directions[0], high_x = low_x, low_y = directions[1], high_y = low_y;
    for (k = 0; k < AT_ONCE; k++) {
        const float x = directions[2u * k], y = directions[2u * k + 1u];
        part->x[k] = x;
        part->y[k] = y;
        odd += x - x + (y - y) == 0.0f ? 0u : 1u;
    }
    for (k = 1; k < AT_ONCE; k++) {
        low_x = part->x[k] < low_x ? part->x[k] : low_x;
        high_x = part->x[k] > high_x ? part->x[k] : high_x;
        low_y = part->y[k] < low_y ? part->y[k] : low_y;
        high_y = part->y[k] > high_y ? part->y[k] : high_y;
    }
    part->low[0] = odd > 0u ? -INFINITY : low_x;
    part->low[1] = odd > 0u ? -INFINITY : low_y;
    part->high[0] = odd > 0u ? INFINITY : high_x;
    part->high[1] = odd > 0u ? INFINITY : high_y;
}

/* How far directions lie inside the line of the piece ahead, times its length, 0 at most beyond the outer box; and one over
 * that length, where it is asked for. */
static inline void beside_border(const float *memory, uint32_t points, const row_part *part, float beside[AT_ONCE],
                                 float *per_piece)
{
    float x[AT_ONCE], y[AT_ONCE], turn[AT_ONCE];
    uint32_t k, near = 0;
    for (k = 0; k < AT_ONCE; k++) {
        x[k] = part->x[k] - memory[0];
        y[k] = part->y[k] - memory[1];
        turn[k] = turning(x[k], y[k]);
    }
    for (k = 0; k < AT_ONCE;) { /* neighbours mostly lie ahead of one piece */
        const piece ahead = piece_ahead(memory, points, turn[k], near);
        const float held = per_piece == NULL ? 0.0f : per_length(&ahead);
        near = ahead.before;
        do {
            beside[k] = beside_piece(&ahead, x[k], y[k]);
            if (per_piece != NULL)
                per_piece[k] = held;
            k++;
        } while (k < AT_ONCE && turn[k] >= ahead.low && turn[k] < ahead.high);
    }
    for (k = 0; k < AT_ONCE; k++) {
        const float dark = beside[k] < 0.0f ? beside[k] : 0.0f, close = fabsf(x[k]) < memory[4] ? beside[k] : dark;
        beside[k] = fabsf(y[k]) < memory[5] ? close : dark;
    }
}

/* Degrees that AT_ONCE directions lie inside what a channel shows. */
static void depths_of_many(const prewarp_light *light, const float *directions, const row_part *part, uint32_t channel,
                           float limit_deg, float depths[AT_ONCE])
{
    const prewarp_lookup *lookup = light->lookup;
    float per_unit[AT_ONCE], beside[AT_ONCE], per_piece[AT_ONCE];
    uint32_t map, k, far = 0;
    for (k = 0; k < AT_ONCE; k++) {
        const float square = part->x[k] * part->x[k] + part->y[k] * part->y[k];
        per_unit[k] = near_degrees(square);
        far += square <= 3.0f ? 0u : 1u;
        depths[k] = limit_deg;
    }
    for (k = 0; k < AT_ONCE && far > 0u; k++)
        per_unit[k] = degrees_per_unit(part->x[k] * part->x[k] + part->y[k] * part->y[k]);
    for (map = 0; map < lookup->border_count; map++) {
        if (channel_of(lookup, map) != channel)
            continue;
        beside_border(light->borders[map], prewarp_border_points(lookup, map), part, beside, per_piece);
        for (k = 0; k < AT_ONCE; k++)
            beside[k] = cut(beside[k] * per_piece[k] * per_unit[k], limit_deg);
        for (k = 0; k < AT_ONCE && region_count(lookup, map) > 0u; k++)
            beside[k] = depth_in_regions(light, map, directions + 2u * k, beside[k], per_unit[k], limit_deg);
        for (k = 0; k < AT_ONCE; k++)
            depths[k] = beside[k] < depths[k] ? beside[k] : depths[k];
    }
}

/* Turns claims of AT_ONCE directions, and what every channel keeps beside them, into weights. */
static void weights_of_many(const prewarp_light *light, const float *directions, float least, float *weights)
{
    const prewarp_lookup *lookup = light->lookup;
    const uint32_t channels = lookup->channel_count;
    float beside[AT_ONCE], value[AT_ONCE], total[AT_ONCE];
    row_part part;
    uint32_t map, k, channel;
    take_part(directions, &part);
    for (k = 0; k < AT_ONCE; k++)
        total[k] = 0.0f;
    for (channel = 0; channel < channels; channel++) {
        for (k = 0; k < AT_ONCE; k++)
            value[k] = weights[channels * k + channel] + least;
        for (map = 0; map < lookup->border_count; map++) {
            const float *memory = light->borders[map];
            const float low[2] = {part.low[0] - memory[0], part.low[1] - memory[1]};
            const float high[2] = {part.high[0] - memory[0], part.high[1] - memory[1]};
            if (channel_of(lookup, map) != channel)
                continue;
            if (low[0] >= memory[4] || high[0] <= -memory[4] || low[1] >= memory[5] || high[1] <= -memory[5]) {
                for (k = 0; k < AT_ONCE; k++)
                    value[k] = 0.0f;
            } else if (!in_box(memory + 2, low[0], low[1]) || !in_box(memory + 2, high[0], high[1])) {
                beside_border(memory, prewarp_border_points(lookup, map), &part, beside, NULL);
                for (k = 0; k < AT_ONCE; k++)
                    value[k] = beside[k] > 0.0f ? value[k] : 0.0f;
            }
            for (k = 0; k < AT_ONCE && region_count(lookup, map) > 0u; k++) {
                if (value[k] > 0.0f && !regions_show(light, map, directions + 2u * k))
                    value[k] = 0.0f;
            }
        }
        for (k = 0; k < AT_ONCE; k++) {
            total[k] += value[k];
            weights[channels * k + channel] = value[k];
        }
    }
    for (k = 0; k < AT_ONCE; k++)
        total[k] = total[k] > 0.0f ? total[k] : 1.0f;
    for (channel = 0; channel < channels && lookup->claims_count > 0u; channel++) {
        for (k = 0; k < AT_ONCE; k++)
            weights[channels * k + channel] /= total[k];
    }
}

/* ---- one direction ---- */

static void depths_of_one(const prewarp_light *light, const float direction[2], float limit_deg, float *depths)
{
    const prewarp_lookup *lookup = light->lookup;
    const float per_unit = degrees_per_unit(direction[0] * direction[0] + direction[1] * direction[1]);
    uint32_t map, channel;
    for (channel = 0; channel < lookup->channel_count; channel++)
        depths[channel] = limit_deg;
    for (map = 0; map < lookup->border_count; map++) {
        const float *memory = light->borders[map], x = direction[0] - memory[0], y = direction[1] - memory[1];
        const piece ahead = piece_ahead(memory, prewarp_border_points(lookup, map), turning(x, y), 0);
        float beside = beside_piece(&ahead, x, y), *own = depths + channel_of(lookup, map);
        if (beside > 0.0f && !in_box(memory + 4, x, y))
            beside = 0.0f;
        beside = cut(beside * per_length(&ahead) * per_unit, limit_deg);
        if (*own > -limit_deg)
            beside = depth_in_regions(light, map, direction, beside, per_unit, limit_deg);
        *own = beside < *own ? beside : *own;
    }
}

static void weights_of_one(const prewarp_light *light, const float direction[2], float least, float *weights)
{
    const prewarp_lookup *lookup = light->lookup;
    const uint32_t channels = lookup->channel_count;
    float total = 0.0f;
    uint32_t map, channel;
    for (channel = 0; channel < channels; channel++)
        weights[channel] += least;
    for (map = 0; map < lookup->border_count; map++) {
        float *own = weights + channel_of(lookup, map);
        if (*own > 0.0f && !map_shows(light, map, direction))
            *own = 0.0f;
    }
    for (channel = 0; channel < channels; channel++)
        total += weights[channel];
    total = total > 0.0f ? total : 1.0f;
    for (channel = 0; channel < channels && lookup->claims_count > 0u; channel++)
        weights[channel] /= total;
}

/* Claim that a channel keeps wherever it is lit; 1 where there are no claims. */
static float least_claim(const prewarp_lookup *lookup)
{
    if (lookup->claims_count == 0u)
        return 1.0f;
    return prewarp_f32(prewarp_record(lookup, PREWARP_SECTION_CLAIMS, PREWARP_CLAIMS_BYTES, 0) + PREWARP_CLAIMS_LEAST);
}

void prewarp_claims_and_depths_of(const prewarp_light *light, const float *directions, size_t count, float limit_deg,
                                  float *claims, float *depths_deg)
{
    const uint32_t channels = light->lookup->channel_count;
    float depths[AT_ONCE];
    row_part part;
    uint32_t channel, k;
    prewarp_claims_of(light->lookup, directions, count, claims);
    for (; count >= AT_ONCE; count -= AT_ONCE, directions += 2u * AT_ONCE, depths_deg += channels * AT_ONCE) {
        take_part(directions, &part);
        for (channel = 0; channel < channels; channel++) {
            depths_of_many(light, directions, &part, channel, limit_deg, depths);
            for (k = 0; k < AT_ONCE; k++)
                depths_deg[channels * k + channel] = depths[k];
        }
    }
    for (; count > 0u; count--, directions += 2, depths_deg += channels)
        depths_of_one(light, directions, limit_deg, depths_deg);
}

/* So many are weighed before claims of more are found: what is written twice stays in a small cache. */
#define AT_HAND 512u

void prewarp_weights_of(const prewarp_light *light, const float *directions, size_t count, float *weights)
{
    const uint32_t channels = light->lookup->channel_count;
    const float least = least_claim(light->lookup);
    while (count > 0u) {
        const uint32_t now = count < AT_HAND ? (uint32_t)count : AT_HAND;
        uint32_t left = now;
        prewarp_claims_of(light->lookup, directions, now, weights);
        for (; left >= AT_ONCE; left -= AT_ONCE, directions += 2u * AT_ONCE, weights += channels * AT_ONCE)
            weights_of_many(light, directions, least, weights);
        for (; left > 0u; left--, directions += 2, weights += channels)
            weights_of_one(light, directions, least, weights);
        count -= now;
    }
}

/* What is left of light at a depth, cut to edge_deg: 0 at the rim, 1 from edge_deg inside on, no kink or bend at either end. */
static inline float fade(float depth, float edge_deg)
{
    const float s = depth / edge_deg, held = s > 0.0f ? s : 0.0f;
    return held * held * held * (held * (6.0f * held - 15.0f) + 10.0f);
}

static void fade_many(const prewarp_light *light, const float *directions, float edge_deg, float *shares)
{
    const uint32_t channels = light->lookup->channel_count;
    float depths[AT_ONCE], largest[AT_ONCE] = {0.0f};
    row_part part;
    uint32_t channel, k;
    take_part(directions, &part);
    for (channel = 0; channel < channels; channel++) {
        depths_of_many(light, directions, &part, channel, edge_deg, depths);
        for (k = 0; k < AT_ONCE; k++)
            largest[k] = channel == 0u || depths[k] > largest[k] ? depths[k] : largest[k];
    }
    for (k = 0; k < AT_ONCE; k++) {
        const float left = fade(largest[k], edge_deg);
        for (channel = 0; channel < channels; channel++)
            shares[channels * k + channel] *= left;
    }
}

static void fade_one(const prewarp_light *light, const float direction[2], float edge_deg, float *shares)
{
    const uint32_t channels = light->lookup->channel_count;
    float depths[PREWARP_MAX_CHANNELS], largest;
    uint32_t channel;
    depths_of_one(light, direction, edge_deg, depths);
    largest = depths[0];
    for (channel = 1; channel < channels; channel++)
        largest = depths[channel] > largest ? depths[channel] : largest;
    for (channel = 0; channel < channels; channel++)
        shares[channel] *= fade(largest, edge_deg);
}

void prewarp_shares_of(const prewarp_light *light, const float *directions, size_t count, float edge_deg, float *shares)
{
    const uint32_t channels = light->lookup->channel_count;
    prewarp_weights_of(light, directions, count, shares);
    if (!(edge_deg > 0.0f))
        return;
    for (; count >= AT_ONCE; count -= AT_ONCE, directions += 2u * AT_ONCE, shares += channels * AT_ONCE)
        fade_many(light, directions, edge_deg, shares);
    for (; count > 0u; count--, directions += 2, shares += channels)
        fade_one(light, directions, edge_deg, shares);
}

void prewarp_claims_and_depths(const prewarp_light *light, const float direction[2], float limit_deg, float *claims,
                               float *depths_deg)
{
    prewarp_claims_of_one(light->lookup, direction, claims);
    depths_of_one(light, direction, limit_deg, depths_deg);
}

void prewarp_weights(const prewarp_light *light, const float direction[2], float *weights)
{
    prewarp_claims_of_one(light->lookup, direction, weights);
    weights_of_one(light, direction, least_claim(light->lookup), weights);
}

float prewarp_weight(const prewarp_light *light, uint32_t channel, const float direction[2])
{
    float weights[PREWARP_MAX_CHANNELS];
    if (channel >= light->lookup->channel_count)
        return 0.0f;
    prewarp_weights(light, direction, weights);
    return weights[channel];
}

/* ---- gain ---- */

float prewarp_gain(const prewarp_light *light, uint32_t map, const float panel_px[2], const float direction[2])
{
    const prewarp_lookup *lookup = light->lookup;
    const unsigned char *record;
    float s[PREWARP_MAX_GAIN_DEGREE + 1u], t[PREWARP_MAX_GAIN_DEGREE + 1u];
    float x[PREWARP_MAX_PUPIL_DEGREE + 1u], y[PREWARP_MAX_PUPIL_DEGREE + 1u];
    float pupil[PREWARP_MAX_GAIN_PUPIL_FUNCTIONS], place[2], total = 0.0f;
    uint32_t link, panel_degree, pupil_degree, sum, b, functions = 0, k;
    const unsigned char *codes;
    prewarp_block block;
    if (map >= lookup->map_count)
        return 0.0f;
    link = prewarp_u16(prewarp_map_record(lookup, map) + PREWARP_MAP_GAIN);
    if (link == PREWARP_NONE)
        return 1.0f;
    record = prewarp_record(lookup, PREWARP_SECTION_GAINS, PREWARP_GAIN_BYTES, link);
    block = prewarp_block_at(lookup, prewarp_u16(record + PREWARP_GAIN_BLOCK));
    panel_degree = prewarp_u16(record + PREWARP_GAIN_PANEL_DEGREE);
    pupil_degree = prewarp_u16(record + PREWARP_GAIN_PUPIL_DEGREE);
    reference(light, record + PREWARP_GAIN_CENTRE, record + PREWARP_GAIN_HALF, direction, place);
    chebyshev(bounded((2.0f * panel_px[0] - light->maps[map].width) / light->maps[map].width, 1.0f), panel_degree, s);
    chebyshev(bounded((2.0f * panel_px[1] - light->maps[map].height) / light->maps[map].height, 1.0f), panel_degree, t);
    chebyshev(bounded(place[0], 1.0f), pupil_degree, x);
    chebyshev(bounded(place[1], 1.0f), pupil_degree, y);
    for (sum = 0; sum <= pupil_degree; sum++) {
        for (b = 0; b <= sum; b++)
            pupil[functions++] = x[sum - b] * y[b];
    }
    codes = block.numbers;
    for (sum = 0; sum <= panel_degree; sum++) {
        for (b = 0; b <= sum; b++) {
            float inner = 0.0f;
            for (k = 0; k < functions; k++, codes += 2)
                inner += (float)prewarp_i16(codes) * pupil[k];
            total += inner * (s[sum - b] * t[b]);
        }
    }
    return exponential(total * f32_from_bits(block.scale_bits));
}
