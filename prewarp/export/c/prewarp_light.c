/* Weights and gains, float32 path: shares of light of the channels that are lit in a direction, and gains that follow the
 * pupil. Every sum has one order, as in prewarp_float.c. */
#include "prewarp_float.h"

#include <math.h>

/* A number from 0 to 4 that rises with the angle of (x, y) about 0, without trigonometry. */
static float turning(float x, float y)
{
    float size = (x < 0.0f ? -x : x) + (y < 0.0f ? -y : y), share = size > 0.0f ? y / size : 0.0f;
    if (x < 0.0f)
        return 2.0f - share;
    return y < 0.0f ? 4.0f + share : share;
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

static float magnitude(float x)
{
    return x < 0.0f ? -x : x;
}

/* Half size of a box about the middle that lies inside every line of a border, whichever is asked for, by 1/32 of its size:
 * far more than beside_border rounds, unless a border is some thousand times wider than the box; then it is 0. */
static void box_inside(const float *vertices, uint32_t count, float half[2])
{
    float widest[2] = {0.0f, 0.0f}, share = 1.0f;
    uint32_t k, axis;
    for (k = 0; k < count; k++) {
        for (axis = 0; axis < 2u; axis++) {
            const float size = magnitude(vertices[3u * k + axis]);
            widest[axis] = size > widest[axis] ? size : widest[axis];
        }
    }
    for (k = 0; k < count; k++) {
        const float *here = vertices + 3u * k, *there = vertices + 3u * (k + 1u < count ? k + 1u : 0u);
        const float along[2] = {there[0] - here[0], there[1] - here[1]};
        const float reach = magnitude(along[0]) * widest[1] + magnitude(along[1]) * widest[0];
        const float beside = along[1] * here[0] - along[0] * here[1];
        if (!(beside >= share * reach)) /* a line of no length is beside nothing */
            share = beside > 0.0f ? beside / reach : 0.0f;
    }
    share = share * 0.96875f - 0.0009765625f;
    for (axis = 0; axis < 2u; axis++)
        half[axis] = share > 0.0f ? widest[axis] * share : 0.0f;
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
    box_inside(vertices, count, memory + 2);
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

/* Distance from the line of the piece ahead times its length: above 0 inside; the square of that length. `near`: 0 to
 * `count`, where to look first; where it was found. */
static float beside_border(const float *memory, uint32_t count, const float direction[2], uint32_t *near, float *square)
{
    const float *vertices = memory + PREWARP_BORDER_NUMBERS, *here, *there;
    float x = direction[0] - memory[0], y = direction[1] - memory[1], along[2];
    uint32_t before = vertices_before(vertices, count, turning(x, y), *near);
    *near = before;
    here = vertices + 3u * (before > 0u ? before - 1u : count - 1u);
    there = here == vertices + 3u * (count - 1u) ? vertices : here + 3;
    along[0] = there[0] - here[0];
    along[1] = there[1] - here[1];
    *square = along[0] * along[0] + along[1] * along[1];
    return along[0] * (y - here[1]) - along[1] * (x - here[0]);
}

static int inside_box(const float *memory, const float direction[2])
{
    return magnitude(direction[0] - memory[0]) < memory[2] && magnitude(direction[1] - memory[1]) < memory[3];
}

static int inside_border(const prewarp_light *light, uint32_t map, const float direction[2], uint32_t *near)
{
    const float *memory = light->borders[map];
    float square;
    if (inside_box(memory, direction))
        return 1;
    return beside_border(memory, prewarp_border_points(light->lookup, map), direction, near, &square) > 0.0f;
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

static int map_shows(const prewarp_light *light, uint32_t map, const float direction[2], uint32_t *near)
{
    const unsigned char *record = border_of(light->lookup, map);
    uint32_t count = region_count(light->lookup, map), region = prewarp_u16(record + PREWARP_BORDER_FIRST_REGION);
    const prewarp_map *own = light->maps + map;
    float pixel[2], s, t;
    if (!inside_border(light, map, direction, near))
        return 0;
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

int prewarp_is_lit(const prewarp_light *light, uint32_t channel, const float direction[2])
{
    uint32_t map, near;
    if (channel >= light->lookup->channel_count)
        return 0;
    for (map = 0; map < light->lookup->border_count; map++) {
        near = 0;
        if (channel_of(light->lookup, map) == channel && !map_shows(light, map, direction, &near))
            return 0;
    }
    return 1;
}

/* Of one map's panel, in one colour. `per_unit`: degrees of a small step of the direction. */
static float map_depth(const prewarp_light *light, uint32_t map, const float direction[2], float per_unit, float limit_deg,
                       uint32_t *near)
{
    const unsigned char *record = border_of(light->lookup, map);
    uint32_t count = region_count(light->lookup, map), region = prewarp_u16(record + PREWARP_BORDER_FIRST_REGION);
    const prewarp_map *own = light->maps + map;
    float pixel[2], beside[2][2], across[2], down[2], square, s, t, scale;
    float depth = beside_border(light->borders[map], prewarp_border_points(light->lookup, map), direction, near, &square);
    depth = square > 0.0f ? depth / sqrtf(square) * per_unit : 0.0f;
    if (!(depth > -limit_deg))
        return -limit_deg;
    depth = depth < limit_deg ? depth : limit_deg;
    if (count == 0u)
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
    scale = sqrtf(scale < 0.0f ? -scale : scale) * per_unit;
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

/* Directions that are worked on together: what they share is looked up once. */
#define AT_ONCE 32u

/* Depths of at most AT_ONCE directions, one map after the other: neighbours lie ahead of the same piece of a border. */
static void depths_of(const prewarp_light *light, const float *directions, uint32_t count, float limit_deg, float *depths)
{
    const prewarp_lookup *lookup = light->lookup;
    const uint32_t channels = lookup->channel_count;
    float per_unit[AT_ONCE];
    uint32_t map, k;
    for (k = 0; k < count; k++) {
        const float *one = directions + 2u * k;
        const float root = sqrtf(1.0f + (one[0] * one[0] + one[1] * one[1]));
        per_unit[k] = PREWARP_DEGREES / (root * sqrtf(root)); /* between those across and along the radius */
    }
    for (k = 0; k < count * channels; k++)
        depths[k] = limit_deg;
    for (map = 0; map < lookup->border_count; map++) {
        float *own = depths + channel_of(lookup, map);
        uint32_t near = 0;
        for (k = 0; k < count; k++, own += channels) {
            if (*own > -limit_deg) {
                const float depth = map_depth(light, map, directions + 2u * k, per_unit[k], limit_deg, &near);
                *own = depth < *own ? depth : *own;
            }
        }
    }
}

/* Weights of at most AT_ONCE directions; `weights` holds their claims, if there are any. */
static void weights_of(const prewarp_light *light, const float *directions, uint32_t count, float *weights)
{
    const prewarp_lookup *lookup = light->lookup;
    const uint32_t channels = lookup->channel_count;
    const int claimed = lookup->claims_count > 0u;
    const float least = claimed ? prewarp_f32(prewarp_record(lookup, PREWARP_SECTION_CLAIMS, PREWARP_CLAIMS_BYTES, 0) +
                                              PREWARP_CLAIMS_LEAST)
                                : 1.0f;
    uint32_t map, k, channel;
    for (k = 0; k < count * channels; k++)
        weights[k] = claimed ? weights[k] + least : least;
    for (map = 0; map < lookup->border_count; map++) {
        const float *memory = light->borders[map];
        const int whole = region_count(lookup, map) == 0u;
        float *own = weights + channel_of(lookup, map);
        uint32_t near = 0;
        for (k = 0; k < count; k++, own += channels) {
            if (whole && inside_box(memory, directions + 2u * k))
                continue;
            if (*own > 0.0f && !map_shows(light, map, directions + 2u * k, &near))
                *own = 0.0f;
        }
    }
    for (k = 0; k < count && claimed; k++, weights += channels) {
        float total = 0.0f;
        for (channel = 0; channel < channels; channel++)
            total += weights[channel];
        for (channel = 0; channel < channels; channel++)
            weights[channel] = total > 0.0f ? weights[channel] / total : 0.0f;
    }
}

void prewarp_claims_and_depths_of(const prewarp_light *light, const float *directions, size_t count, float limit_deg,
                                  float *claims, float *depths_deg)
{
    const uint32_t channels = light->lookup->channel_count;
    while (count > 0u) {
        const uint32_t now = count < AT_ONCE ? (uint32_t)count : AT_ONCE;
        prewarp_claims_of(light->lookup, directions, now, claims);
        depths_of(light, directions, now, limit_deg, depths_deg);
        directions += 2u * now;
        claims += (size_t)channels * now;
        depths_deg += (size_t)channels * now;
        count -= now;
    }
}

void prewarp_weights_of(const prewarp_light *light, const float *directions, size_t count, float *weights)
{
    const uint32_t channels = light->lookup->channel_count;
    while (count > 0u) {
        const uint32_t now = count < AT_ONCE ? (uint32_t)count : AT_ONCE;
        prewarp_claims_of(light->lookup, directions, now, weights);
        weights_of(light, directions, now, weights);
        directions += 2u * now;
        weights += (size_t)channels * now;
        count -= now;
    }
}

void prewarp_claims_and_depths(const prewarp_light *light, const float direction[2], float limit_deg, float *claims,
                               float *depths_deg)
{
    prewarp_claims_and_depths_of(light, direction, 1u, limit_deg, claims, depths_deg);
}

void prewarp_weights(const prewarp_light *light, const float direction[2], float *weights)
{
    prewarp_weights_of(light, direction, 1u, weights);
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
