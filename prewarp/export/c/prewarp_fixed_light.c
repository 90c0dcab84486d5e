/* Weights and gains, integer path: what prewarp_light.c does. Angles in 2^-22 degrees, claims and turns in 2^-28. */
#include "prewarp_fixed.h"

#define ANGLE_ONE 22
#define CODE_ONE 16 /* claims before their scale: codes x 2^16 */

/* 4 x 180 / pi in 2^-22 degrees. */
static const int64_t FOUR_DEGREES = 961263669;

static int64_t square_root(uint64_t value)
{
    uint64_t root = 0, bit = (uint64_t)1 << 62;
    while (bit > value)
        bit >>= 2;
    for (; bit != 0u; bit >>= 2) {
        if (value >= root + bit) {
            value -= root + bit;
            root = (root >> 1) + bit;
        } else {
            root >>= 1;
        }
    }
    return (int64_t)root;
}

/* A number from 0 to 4, of 2^-28, that rises with the angle of (x, y) about 0. */
static int32_t turning(int64_t x, int64_t y)
{
    int64_t size = (x < 0 ? -x : x) + (y < 0 ? -y : y), share = size > 0 ? y * UNIT / size : 0;
    if (x < 0)
        return (int32_t)(2 * UNIT - share);
    return (int32_t)(y < 0 ? 4 * UNIT + share : share);
}

/* Angle from straight ahead along the azimuth, 2^-22 degrees: halved twice, then its series. */
static void plane_of(const int32_t direction[2], int64_t plane[2])
{
    static const int32_t numbers[7] = {13, 11, 9, 7, 5, 3, 1};
    int64_t sides[2], square = 0, series = -UNIT / 15, sign = 1, factor;
    uint64_t lengths = (uint64_t)UNIT;
    uint32_t step, axis, k;
    for (axis = 0; axis < 2u; axis++)
        square += rounded((int64_t)direction[axis] * direction[axis], ONE);
    for (step = 0; step < 2u; step++) {
        sides[step] = UNIT + square_root((uint64_t)(UNIT + square) << ONE);
        square = (int64_t)(((uint64_t)square << ONE) / (((uint64_t)sides[step] * (uint64_t)sides[step]) >> ONE));
    }
    for (k = 0; k < 7u; k++, sign = -sign)
        series = product(series, square) + sign * UNIT / numbers[k];
    lengths = ((uint64_t)sides[0] * (uint64_t)sides[1]) >> ONE;
    factor = series * FOUR_DEGREES / (int64_t)lengths;
    for (axis = 0; axis < 2u; axis++)
        plane[axis] = rounded(direction[axis] * factor, ONE);
}

static void cubic_weights(int64_t t, int64_t weights[4])
{
    int64_t s = UNIT - t, t2 = product(t, t), t3 = product(t2, t);
    weights[0] = product(product(s, s), s) / 6;
    weights[1] = (3 * t3 - 6 * t2 + 4 * UNIT) / 6;
    weights[3] = t3 / 6;
    weights[2] = UNIT - weights[0] - weights[1] - weights[3];
}

static void claims_at(const prewarp_lookup *lookup, const int32_t direction[2], int64_t *claims)
{
    const unsigned char *record = prewarp_record(lookup, PREWARP_SECTION_CLAIMS, PREWARP_CLAIMS_BYTES, 0), *codes;
    prewarp_block block = prewarp_block_at(lookup, prewarp_u16(record + PREWARP_CLAIMS_BLOCK));
    int64_t plane[2], weights[2][4], pitch = fixed_from_bits(prewarp_u32(record + PREWARP_CLAIMS_PITCH), ANGLE_ONE);
    uint32_t counts[2], first[2], axis, channel, i, j;
    number scale = from_bits(block.scale_bits);
    scale.exponent += ONE - CODE_ONE;
    counts[0] = prewarp_u16(record + PREWARP_CLAIMS_COLUMNS);
    counts[1] = prewarp_u16(record + PREWARP_CLAIMS_ROWS);
    plane_of(direction, plane);
    for (axis = 0; axis < 2u; axis++) {
        int64_t last = (int64_t)(counts[axis] - 3u) * UNIT, held;
        int64_t place = plane[axis] - fixed_from_bits(prewarp_u32(record + PREWARP_CLAIMS_ORIGIN + 4u * axis), ANGLE_ONE);
        place = place > 0 ? place * UNIT / pitch : 0;
        place = place < last ? place : last;
        held = place < last - UNIT ? place : last - UNIT;
        first[axis] = (uint32_t)(held / UNIT);
        cubic_weights(place - (int64_t)first[axis] * UNIT, weights[axis]);
    }
    for (channel = 0; channel < lookup->channel_count; channel++) {
        int64_t total = 0, value;
        codes = block.numbers + 2u * (((size_t)channel * counts[1] + first[1]) * counts[0] + first[0]);
        for (j = 0; j < 4u; j++, codes += 2u * (size_t)counts[0]) {
            int64_t line = 0;
            for (i = 0; i < 4u; i++)
                line += weights[0][i] * prewarp_i16(codes + 2u * i);
            total += weights[1][j] * rounded(line, ONE - CODE_ONE);
        }
        value = multiplied(scale, rounded(total, ONE));
        claims[channel] = value > 0 ? clamped_to(value, (int64_t)1 << 44) : 0;
    }
}

/* ---- what is lit ---- */

/* Turns vertices (x, y, angle) that run clockwise around, so that they run the other way. */
static void reversed(int32_t *vertices, uint32_t count)
{
    uint32_t low, entry;
    for (low = 0; low < count / 2u; low++) {
        int32_t *one = vertices + 3u * low, *other = vertices + 3u * (count - 1u - low);
        for (entry = 0; entry < 3u; entry++) {
            int32_t held = one[entry];
            one[entry] = other[entry];
            other[entry] = held;
        }
    }
}

static void prepare_border(const prewarp_lookup *lookup, uint32_t place, const prewarp_fixed_map *map, int32_t *memory)
{
    const unsigned char *record = prewarp_record(lookup, PREWARP_SECTION_BORDERS, PREWARP_BORDER_BYTES, place);
    prewarp_block block = prewarp_block_at(lookup, prewarp_u16(record + PREWARP_BORDER_BLOCK));
    uint32_t count = block.count / 2u, k, axis, first = 0;
    int32_t *vertices = memory + 2, panel[2];
    int64_t area = 0;
    for (axis = 0; axis < 2u; axis++)
        panel[axis] = cut(fixed_from_bits(prewarp_u32(record + PREWARP_BORDER_MIDDLE + 4u * axis), PANEL_ONE));
    prewarp_fixed_direction_from_panel(map, panel, memory);
    for (k = 0; k < count; k++) {
        int32_t *own = vertices + 3u * k;
        panel[0] = (int32_t)(((int64_t)prewarp_code(&block, 2u * k) * map->width << PANEL_ONE) / 65535);
        panel[1] = (int32_t)(((int64_t)prewarp_code(&block, 2u * k + 1u) * map->height << PANEL_ONE) / 65535);
        prewarp_fixed_direction_from_panel(map, panel, own);
        own[0] = cut((int64_t)own[0] - memory[0]);
        own[1] = cut((int64_t)own[1] - memory[1]);
        own[2] = turning(own[0], own[1]);
    }
    for (k = 0; k < count; k++) {
        const int32_t *here = vertices + 3u * k, *there = vertices + 3u * (k + 1u < count ? k + 1u : 0u);
        area += shifted(here[0], 6) * shifted(there[1], 6) - shifted(here[1], 6) * shifted(there[0], 6);
    }
    if (area < 0)
        reversed(vertices, count);
    for (k = 1; k < count; k++) {
        if (vertices[3u * k + 2u] < vertices[3u * first + 2u])
            first = k;
    }
    reversed(vertices, first);
    reversed(vertices + 3u * (size_t)first, count - first);
    reversed(vertices, count);
    for (k = 1; k < count; k++) {
        if (vertices[3u * k + 2u] < vertices[3u * k - 1u])
            vertices[3u * k + 2u] = vertices[3u * k - 1u];
    }
}

prewarp_status prewarp_fixed_prepare_light(const prewarp_lookup *lookup, const int32_t pupil[3],
                                           const prewarp_fixed_map *maps, uint32_t map_count, int32_t *memory,
                                           size_t count, prewarp_fixed_light *light)
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
        int64_t low = pupil_from_bits(prewarp_u32(display + PREWARP_DISPLAY_PUPIL_LOW + 4u * axis));
        int64_t high = pupil_from_bits(prewarp_u32(display + PREWARP_DISPLAY_PUPIL_HIGH + 4u * axis));
        int64_t above = pupil[axis] > low ? pupil[axis] : low;
        light->pupil[axis] = cut(above < high ? above : high);
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

static int inside_border(const int32_t *memory, uint32_t count, const int32_t direction[2])
{
    const int32_t *vertices = memory + 2, *here, *there;
    int64_t x = (int64_t)direction[0] - memory[0], y = (int64_t)direction[1] - memory[1];
    int32_t angle = turning(x, y);
    uint32_t low = 0, high = count; /* the last vertex at or before the angle is low - 1 */
    while (low < high) {
        uint32_t middle = (low + high) / 2u;
        if (angle < vertices[3u * middle + 2u])
            high = middle;
        else
            low = middle + 1u;
    }
    here = vertices + 3u * (low > 0u ? low - 1u : count - 1u);
    there = here == vertices + 3u * (count - 1u) ? vertices : here + 3;
    return shifted((int64_t)there[0] - here[0], 4) * shifted(y - here[1], 4) >
           shifted((int64_t)there[1] - here[1], 4) * shifted(x - here[0], 4);
}

/* x0, y0 of a ray, normalised by the frame of a region or a gain: numbers of 2^-28, at most 7 */
static void reference(const prewarp_fixed_light *light, const unsigned char *centre, const unsigned char *half,
                      const int32_t direction[2], int64_t place[2])
{
    uint32_t axis;
    for (axis = 0; axis < 2u; axis++) {
        int64_t at = light->pupil[axis] - rounded((int64_t)light->pupil[2] * direction[axis], ONE);
        at -= pupil_from_bits(prewarp_u32(centre + 4u * axis));
        place[axis] = clamped_to(at, (int64_t)1 << 30) * UNIT / pupil_from_bits(prewarp_u32(half + 4u * axis));
        place[axis] = clamped_to(place[axis], 7 * UNIT);
    }
}

static int64_t on_axis(int32_t panel, int32_t size) /* px to s or t */
{
    int64_t whole = (int64_t)size << PANEL_ONE, at = 2 * (int64_t)panel - whole;
    return clamped_to(at, 2 * whole) * UNIT / whole;
}

static int ray_is_lit(const prewarp_fixed_light *light, const unsigned char *record, int64_t s, int64_t t,
                      const int32_t direction[2])
{
    prewarp_block block = prewarp_block_at(light->lookup, prewarp_u16(record + PREWARP_REGION_BLOCK));
    uint32_t degree = prewarp_u16(record + PREWARP_REGION_DEGREE), most = prewarp_u16(record + PREWARP_REGION_PUPIL_DEGREE);
    int32_t u[PREWARP_MAX_REGION_DEGREE + 1u], v[PREWARP_MAX_REGION_DEGREE + 1u];
    int32_t p[PREWARP_MAX_REGION_DEGREE + 1u], q[PREWARP_MAX_REGION_DEGREE + 1u];
    int64_t place[2], value = 0;
    uint32_t total, b, c, d, term = 0;
    reference(light, record + PREWARP_REGION_CENTRE, record + PREWARP_REGION_HALF, direction, place);
    chebyshev(s, degree, u);
    chebyshev(t, degree, v);
    chebyshev(place[0], degree, p);
    chebyshev(place[1], degree, q);
    for (total = 0; total <= degree; total++) {
        for (d = 0; d <= total; d++) {
            for (c = 0; c <= total - d && c + d <= most; c++) {
                for (b = 0; b <= total - d - c; b++, term++) {
                    int64_t one = cut(product(cut(product(u[total - d - c - b], v[b])), p[c]));
                    value += prewarp_i16(block.numbers + 2u * (size_t)term) * (int64_t)cut(product(one, q[d]));
                }
            }
        }
    }
    return value > 0;
}

static int map_shows(const prewarp_fixed_light *light, uint32_t map, const int32_t direction[2])
{
    const unsigned char *record = prewarp_record(light->lookup, PREWARP_SECTION_BORDERS, PREWARP_BORDER_BYTES, map);
    uint32_t count = prewarp_u16(record + PREWARP_BORDER_REGION_COUNT),
             region = prewarp_u16(record + PREWARP_BORDER_FIRST_REGION);
    const prewarp_fixed_map *own = light->maps + map;
    int32_t panel[2];
    if (!inside_border(light->borders[map], prewarp_border_points(light->lookup, map), direction))
        return 0;
    if (count == 0u)
        return 1;
    if (prewarp_fixed_panel_from_direction(own, direction, panel) == PREWARP_NOT_CONVERGED)
        return 0;
    for (; count > 0u; count--, region++) {
        record = prewarp_record(light->lookup, PREWARP_SECTION_REGIONS, PREWARP_REGION_BYTES, region);
        if (!ray_is_lit(light, record, on_axis(panel[0], own->width), on_axis(panel[1], own->height), direction))
            return 0;
    }
    return 1;
}

int prewarp_fixed_is_lit(const prewarp_fixed_light *light, uint32_t channel, const int32_t direction[2])
{
    uint32_t map;
    if (channel >= light->lookup->channel_count)
        return 0;
    for (map = 0; map < light->lookup->border_count; map++) {
        if (prewarp_u16(prewarp_map_record(light->lookup, map) + PREWARP_MAP_CHANNEL) == channel &&
            !map_shows(light, map, direction))
            return 0;
    }
    return 1;
}

void prewarp_fixed_weights(const prewarp_fixed_light *light, const int32_t direction[2], int32_t *weights)
{
    const prewarp_lookup *lookup = light->lookup;
    int64_t claims[PREWARP_MAX_CHANNELS], total = 0, least = UNIT;
    uint32_t channel;
    for (channel = 0; channel < lookup->channel_count; channel++)
        claims[channel] = 0;
    if (lookup->claims_count > 0u) {
        claims_at(lookup, direction, claims);
        least = fixed_from_bits(prewarp_u32(prewarp_record(lookup, PREWARP_SECTION_CLAIMS, PREWARP_CLAIMS_BYTES, 0) +
                                            PREWARP_CLAIMS_LEAST),
                                ONE);
    }
    for (channel = 0; channel < lookup->channel_count; channel++) {
        claims[channel] = prewarp_fixed_is_lit(light, channel, direction) ? claims[channel] + least : 0;
        total += claims[channel];
    }
    for (channel = 0; channel < lookup->channel_count; channel++) {
        if (lookup->claims_count == 0u)
            weights[channel] = claims[channel] > 0 ? (int32_t)1 << SHARE_ONE : 0;
        else
            weights[channel] = total > 0 ? (int32_t)((((claims[channel] << SHARE_ONE) + total / 2)) / total) : 0;
    }
}

int32_t prewarp_fixed_weight(const prewarp_fixed_light *light, uint32_t channel, const int32_t direction[2])
{
    int32_t weights[PREWARP_MAX_CHANNELS];
    if (channel >= light->lookup->channel_count)
        return 0;
    prewarp_fixed_weights(light, direction, weights);
    return weights[channel];
}

/* ---- gain ---- */

/* e^x of numbers of 2^-28, as numbers of 2^-16 */
static int32_t exponential(int64_t x)
{
    /* log2(e) in 2^-20; 2^f: the terms of prewarp_light.c in 2^-28 */
    static const int32_t terms[6] = {357920, 2581847, 14899271, 64485313, 186065279, 1 << ONE};
    int64_t power = rounded(clamped_to(x, 40 * UNIT) * 1512775, 20);
    int64_t whole = (power + UNIT / 2 + 128 * UNIT) / UNIT - 128, part = power - whole * UNIT, value = 41349;
    uint32_t k;
    for (k = 0; k < 6u; k++)
        value = product(value, part) + terms[k];
    return cut(scaled(value, (int)whole + SHARE_ONE - ONE));
}

int32_t prewarp_fixed_gain(const prewarp_fixed_light *light, uint32_t map, const int32_t panel[2],
                           const int32_t direction[2])
{
    const prewarp_lookup *lookup = light->lookup;
    const unsigned char *record, *codes;
    int32_t s[PREWARP_MAX_GAIN_DEGREE + 1u], t[PREWARP_MAX_GAIN_DEGREE + 1u];
    int32_t x[PREWARP_MAX_PUPIL_DEGREE + 1u], y[PREWARP_MAX_PUPIL_DEGREE + 1u];
    int64_t pupil[PREWARP_MAX_GAIN_PUPIL_FUNCTIONS], place[2], total = 0;
    uint32_t link, panel_degree, pupil_degree, sum, b, functions = 0, k;
    prewarp_block block;
    number scale;
    if (map >= lookup->map_count)
        return 0;
    link = prewarp_u16(prewarp_map_record(lookup, map) + PREWARP_MAP_GAIN);
    if (link == PREWARP_NONE)
        return (int32_t)1 << SHARE_ONE;
    record = prewarp_record(lookup, PREWARP_SECTION_GAINS, PREWARP_GAIN_BYTES, link);
    block = prewarp_block_at(lookup, prewarp_u16(record + PREWARP_GAIN_BLOCK));
    panel_degree = prewarp_u16(record + PREWARP_GAIN_PANEL_DEGREE);
    pupil_degree = prewarp_u16(record + PREWARP_GAIN_PUPIL_DEGREE);
    reference(light, record + PREWARP_GAIN_CENTRE, record + PREWARP_GAIN_HALF, direction, place);
    chebyshev(clamped_to(on_axis(panel[0], light->maps[map].width), UNIT), panel_degree, s);
    chebyshev(clamped_to(on_axis(panel[1], light->maps[map].height), UNIT), panel_degree, t);
    chebyshev(clamped_to(place[0], UNIT), pupil_degree, x);
    chebyshev(clamped_to(place[1], UNIT), pupil_degree, y);
    for (sum = 0; sum <= pupil_degree; sum++) {
        for (b = 0; b <= sum; b++)
            pupil[functions++] = product(x[sum - b], y[b]);
    }
    codes = block.numbers;
    for (sum = 0; sum <= panel_degree; sum++) {
        for (b = 0; b <= sum; b++) {
            int64_t inner = 0;
            for (k = 0; k < functions; k++, codes += 2)
                inner += prewarp_i16(codes) * pupil[k];
            /* codes x 2^10: at most 2^33 */
            total += rounded(rounded(inner, ONE - 10) * product(s[sum - b], t[b]), ONE);
        }
    }
    scale = from_bits(block.scale_bits);
    scale.exponent += ONE - 10;
    return exponential(multiplied(scale, clamped_to(total, (int64_t)1 << 31)));
}
