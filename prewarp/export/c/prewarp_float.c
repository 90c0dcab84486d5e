/* The float32 path. Every sum has one order, so that results are the same to the last bit wherever float is IEEE 754
 * binary32, is evaluated as such (FLT_EVAL_METHOD 0) and multiplications are not fused with additions. */
#include "prewarp_float.h"
#include "prewarp_bits.h"

/* ---- pupil part ---- */

static void unit_pupil(const prewarp_lookup *lookup, const float pupil_mm[3], float unit[3])
{
    const unsigned char *display = prewarp_record(lookup, PREWARP_SECTION_DISPLAY, PREWARP_DISPLAY_BYTES, 0);
    uint32_t axis;
    for (axis = 0; axis < 3u; axis++) {
        float low = prewarp_f32(display + PREWARP_DISPLAY_PUPIL_LOW + 4u * axis);
        float high = prewarp_f32(display + PREWARP_DISPLAY_PUPIL_HIGH + 4u * axis);
        unit[axis] = 0.0f;
        if (high > low)
            unit[axis] = bounded(((pupil_mm[axis] - low) + (pupil_mm[axis] - high)) / (high - low), 1.0f);
    }
}

/* Pupil functions by total degree, then by rising z, then by rising y; returns how many. */
static uint32_t pupil_functions(const float unit[3], uint32_t degree, float *values)
{
    float x[PREWARP_MAX_PUPIL_DEGREE + 1u], y[PREWARP_MAX_PUPIL_DEGREE + 1u], z[PREWARP_MAX_PUPIL_DEGREE + 1u];
    uint32_t total, c, b, count = 0;
    chebyshev(unit[0], degree, x);
    chebyshev(unit[1], degree, y);
    chebyshev(unit[2], degree, z);
    for (total = 0; total <= degree; total++) {
        for (c = 0; c <= total; c++) {
            for (b = 0; b <= total - c; b++)
                values[count++] = x[total - c - b] * y[b] * z[c];
        }
    }
    return count;
}

/* Moves one of four codes of a width below 8 to the top of 32 bits: a product, since compilers make vectors of products. */
static const uint32_t TO_THE_TOP[8][4] = {
    {0, 0, 0, 0},
    {0, 0, 0, 0},
    {1u << 30, 1u << 28, 1u << 26, 1u << 24},
    {1u << 29, 1u << 26, 1u << 23, 1u << 20},
    {1u << 28, 1u << 24, 1u << 20, 1u << 16},
    {1u << 27, 1u << 22, 1u << 17, 1u << 12},
    {1u << 26, 1u << 20, 1u << 14, 1u << 8},
    {1u << 25, 1u << 18, 1u << 11, 1u << 4},
};

/* The next `width` bits, at most 57; above them zeros. */
static inline uint64_t next_bits(const prewarp_bits *bits, uint32_t width)
{
    const unsigned char *bytes = bits->bytes + (bits->place >> 3);
    const uint64_t all = ((uint64_t)prewarp_u32(bytes) | (uint64_t)prewarp_u32(bytes + 4) << 32) >> (bits->place & 7u);
    return all & (((uint64_t)1 << width) - 1u);
}

/* sums += factor * four codes whose width is at most 7 */
static inline void add_narrow(uint32_t codes, uint32_t width, float factor, float *restrict sums)
{
    const uint32_t *up = TO_THE_TOP[width];
    const uint32_t half = (uint32_t)1 << width >> 1, down = 32u - width;
    uint32_t place;
    for (place = 0; place < PREWARP_ADDED_BY; place++)
        sums[place] += factor * (float)((int32_t)((codes * up[place] >> down) ^ half) - (int32_t)half);
}

/* sums += factor * four codes whose width is at most 13 */
static inline void add_wide(uint64_t codes, uint32_t width, float factor, float *restrict sums)
{
    const uint32_t half = (uint32_t)1 << width >> 1, mask = ((uint32_t)1 << width) - 1u;
    uint32_t place;
    for (place = 0; place < PREWARP_ADDED_BY; place++)
        sums[place] += factor * (float)((int32_t)(((uint32_t)(codes >> (place * width)) & mask) ^ half) - (int32_t)half);
}

/* sums += factor * codes, `count` of them. Codes of widths that are common are added by fours. */
static inline void add_codes(prewarp_bits *bits, uint32_t count, float factor, float *restrict sums)
{
    uint32_t from, place;
    for (from = 0; from < count; from += PREWARP_TERM_RUN, sums += PREWARP_TERM_RUN) {
        const uint32_t width = prewarp_take_width(bits);
        const uint32_t here = count - from < PREWARP_TERM_RUN ? count - from : PREWARP_TERM_RUN;
        const uint32_t first = here < PREWARP_ADDED_BY ? here : PREWARP_ADDED_BY;
        const uint32_t more = here > PREWARP_ADDED_BY ? here - PREWARP_ADDED_BY : 0u;
        if (width == 0u)
            continue;
        if (width < 8u) {
            const uint64_t codes = next_bits(bits, width * here);
            add_narrow((uint32_t)codes, width, factor, sums);
            if (more > 0u)
                add_narrow((uint32_t)(codes >> (PREWARP_ADDED_BY * width)), width, factor, sums + PREWARP_ADDED_BY);
            bits->place += (size_t)width * here;
        } else if (width < 14u) {
            add_wide(next_bits(bits, width * first), width, factor, sums);
            bits->place += (size_t)width * first;
            if (more > 0u)
                add_wide(next_bits(bits, width * more), width, factor, sums + PREWARP_ADDED_BY);
            bits->place += (size_t)width * more;
        } else {
            for (place = 0; place < here; place++)
                sums[place] += factor * (float)prewarp_take_code(bits, width);
        }
    }
}

/* Rows in turn: tx with each pupil function, then ty. */
static void add_chebyshev(const prewarp_lookup *lookup, const unsigned char *record, const float unit[3],
                          float *coefficients)
{
    const uint32_t degree = prewarp_u16(record + PREWARP_MAP_COLUMNS) - 1u, all = prewarp_graded_count(degree);
    const uint32_t evens = prewarp_terms_below(degree + 1u, 0);
    float values[PREWARP_MAX_PUPIL_FUNCTIONS];
    uint32_t modes = pupil_functions(unit, prewarp_u16(record + PREWARP_MAP_PUPIL_DEGREE), values), component, row, odd;
    prewarp_block block;
    prewarp_bits bits = {NULL, 0};
    float step;
    if (prewarp_u16(record + PREWARP_MAP_BLOCK_COUNT) == 0u)
        return;
    block = prewarp_block_at(lookup, prewarp_u16(record + PREWARP_MAP_FIRST_BLOCK));
    step = f32_from_bits(block.scale_bits);
    bits.bytes = block.numbers;
    for (component = 0; component < 2u; component++) {
        for (row = 0; row < modes; row++) {
            prewarp_row head;
            if (!prewarp_take(&bits, 1))
                continue;
            head = prewarp_take_row(&bits);
            for (odd = 0; odd < 2u; odd++)
                add_codes(&bits, prewarp_row_codes(head, odd), values[row] * step,
                          coefficients + all * component + evens * odd);
        }
    }
}

static float coefficient_position(uint32_t coefficients, uint32_t place)
{
    float last = (float)(coefficients - 3u);
    return (2.0f * ((float)place - 1.0f) - last) / last;
}

static void offset_line(const float *line, uint32_t rows, float x, float y, float *out)
{
    uint32_t row;
    for (row = 0; row < 2u * rows; row += 2u) {
        out[row] = x + line[row];
        out[row + 1u] = y + line[row + 1u];
    }
}

/* Sets all coefficients to the plane: what it adds along a column is made in the first one, which gets its own last. */
static void set_affine(const unsigned char *record, float *coefficients)
{
    uint32_t columns = prewarp_u16(record + PREWARP_MAP_COLUMNS), rows = prewarp_u16(record + PREWARP_MAP_ROWS);
    uint32_t column, row, entry;
    float affine[6];
    for (entry = 0; entry < 6u; entry++)
        affine[entry] = prewarp_f32(record + PREWARP_MAP_AFFINE + 4u * entry);
    for (row = 0; row < rows; row++) {
        float t = coefficient_position(rows, row);
        coefficients[2u * row] = affine[2] * t;
        coefficients[2u * row + 1u] = affine[5] * t;
    }
    for (column = columns; column > 0u; column--) {
        float s = coefficient_position(columns, column - 1u);
        offset_line(coefficients, rows, affine[0] + affine[1] * s, affine[3] + affine[4] * s,
                    coefficients + (size_t)(column - 1u) * rows * 2u);
    }
}

/* sums += factor * codes of 12 bits, two in three bytes; `count` is even. */
static void add_pairs(const unsigned char *restrict numbers, uint32_t count, float factor, float *restrict sums)
{
    int32_t codes[64];
    uint32_t from, place;
    for (from = 0; from < count; from += 64u) {
        uint32_t here = count - from < 64u ? count - from : 64u;
        for (place = 0; place < here; place += 2u, numbers += 3) {
            codes[place] = prewarp_i12(numbers, 0u);
            codes[place + 1u] = prewarp_i12(numbers, 1u);
        }
        for (place = 0; place < here; place++)
            sums[from + place] += factor * (float)codes[place];
    }
}

/* sums += factor * numbers, `count` of them */
static void add_numbers(const prewarp_block *block, uint32_t count, float factor, float *restrict sums)
{
    const unsigned char *restrict numbers = block->numbers;
    uint32_t place;
    switch (block->format) {
    case PREWARP_INT8:
        for (place = 0; place < count; place++)
            sums[place] += factor * (float)prewarp_i8(numbers + place);
        break;
    case PREWARP_INT16:
        for (place = 0; place < count; place++)
            sums[place] += factor * (float)prewarp_i16(numbers + (size_t)place * 2u);
        break;
    default:
        add_pairs(numbers, count, factor, sums);
        break;
    }
}

static void add_modes(const prewarp_lookup *lookup, const unsigned char *record, const float unit[3],
                      float *coefficients)
{
    float values[PREWARP_MAX_PUPIL_FUNCTIONS];
    uint32_t functions = pupil_functions(unit, prewarp_u16(record + PREWARP_MAP_PUPIL_DEGREE), values);
    uint32_t first = prewarp_u16(record + PREWARP_MAP_FIRST_BLOCK), modes = prewarp_u16(record + PREWARP_MAP_MODES),
             mode, place;
    uint32_t count = prewarp_u16(record + PREWARP_MAP_COLUMNS) * prewarp_u16(record + PREWARP_MAP_ROWS) * 2u;
    const unsigned char *polynomial = prewarp_block_at(lookup, first).numbers;
    set_affine(record, coefficients);
    for (mode = 0; mode < modes; mode++) {
        prewarp_block block = prewarp_block_at(lookup, first + 1u + mode);
        float weight = 0.0f;
        for (place = 0; place < functions; place++, polynomial += 4)
            weight += prewarp_f32(polynomial) * values[place];
        add_numbers(&block, count, weight * f32_from_bits(block.scale_bits), coefficients);
    }
}

prewarp_status prewarp_prepare(const prewarp_lookup *lookup, uint32_t map, const float pupil_mm[3],
                               const prewarp_map *base, float *coefficients, size_t count, prewarp_map *prepared)
{
    const unsigned char *record, *channel;
    size_t needed = prewarp_coefficient_count(lookup, map), place;
    float unit[3];
    if (needed == 0u || (base == NULL ? PREWARP_NONE : base->place) != prewarp_base_of(lookup, map))
        return PREWARP_NO_SUCH;
    if (count < needed)
        return PREWARP_TOO_SMALL;
    record = prewarp_map_record(lookup, map);
    channel = prewarp_channel_record(lookup, prewarp_u16(record + PREWARP_MAP_CHANNEL));
    unit_pupil(lookup, pupil_mm, unit);
    if (prewarp_u16(record + PREWARP_MAP_FAMILY) == PREWARP_FAMILY_CHEBYSHEV) {
        for (place = 0; place < needed; place++)
            coefficients[place] = 0.0f;
        add_chebyshev(lookup, record, unit, coefficients);
    } else {
        add_modes(lookup, record, unit, coefficients);
    }
    prepared->place = map;
    prepared->family = prewarp_u16(record + PREWARP_MAP_FAMILY);
    prepared->columns = prewarp_u16(record + PREWARP_MAP_COLUMNS);
    prepared->rows = prewarp_u16(record + PREWARP_MAP_ROWS);
    prepared->width = (float)prewarp_u32(channel + PREWARP_CHANNEL_PANEL_WIDTH);
    prepared->height = (float)prewarp_u32(channel + PREWARP_CHANNEL_PANEL_HEIGHT);
    prepared->coefficients = coefficients;
    prepared->base = base;
    return PREWARP_OK;
}

/* ---- single points ---- */

static void own_direction_at(const prewarp_map *map, float s, float t, float direction[2])
{
    uint32_t component, i, j;
    if (map->family == PREWARP_FAMILY_CHEBYSHEV) {
        float in_s[PREWARP_MAX_PANEL_DEGREE + 1u], in_t[PREWARP_MAX_PANEL_DEGREE + 1u];
        uint32_t degree = map->columns - 1u;
        const float *own = map->coefficients;
        chebyshev(s, degree, in_s);
        chebyshev(t, degree, in_t);
        for (component = 0; component < 2u; component++, own += prewarp_graded_count(degree)) {
            float parts[2] = {0.0f, 0.0f};
            for (j = 0; j <= degree; j++) {
                uint32_t place = prewarp_term_place(degree, 0, j);
                float sum = 0.0f;
                for (i = 0; i <= degree - j; place += prewarp_term_step(i + j, j), i++)
                    sum += own[place] * in_s[i];
                parts[j % 2u] += sum * in_t[j];
            }
            direction[component] = parts[0] + parts[1];
        }
    } else {
        float across[4], down[4];
        uint32_t column = spline_weights(map->columns, s, across), row = spline_weights(map->rows, t, down);
        for (component = 0; component < 2u; component++) {
            float result = 0.0f;
            for (j = 0; j < 4u; j++) {
                const float *own = map->coefficients + ((size_t)column * map->rows + row + j) * 2u + component;
                float line = across[0] * own[0];
                for (i = 1; i < 4u; i++)
                    line += across[i] * own[(size_t)i * map->rows * 2u];
                result = j == 0u ? down[0] * line : result + down[j] * line;
            }
            direction[component] = result;
        }
    }
}

static void direction_at(const prewarp_map *map, float s, float t, float direction[2])
{
    own_direction_at(map, s, t, direction);
    if (map->base != NULL) {
        float base[2];
        own_direction_at(map->base, s, t, base);
        direction[0] = base[0] + direction[0];
        direction[1] = base[1] + direction[1];
    }
}

void prewarp_direction_from_panel(const prewarp_map *map, const float panel_px[2], float direction[2])
{
    float s = (2.0f * panel_px[0] - map->width) / map->width;
    float t = (2.0f * panel_px[1] - map->height) / map->height;
    direction_at(map, s, t, direction);
}

prewarp_status prewarp_panel_from_direction(const prewarp_map *map, const float direction[2], float panel_px[2])
{
    float place[2] = {0.0f, 0.0f};
    uint32_t step, axis;
    int done = 0, inside = 1;
    for (step = 0; step < PREWARP_INVERSE_STEPS && !done; step++) {
        float difference = step == 0u ? PREWARP_START_DIFFERENCE : PREWARP_DIFFERENCE;
        float here[2], by_s[2], by_t[2], rest[2], move[2], determinant;
        direction_at(map, place[0], place[1], here);
        direction_at(map, place[0] + difference, place[1], by_s);
        direction_at(map, place[0], place[1] + difference, by_t);
        for (axis = 0; axis < 2u; axis++) {
            by_s[axis] = (by_s[axis] - here[axis]) / difference;
            by_t[axis] = (by_t[axis] - here[axis]) / difference;
            rest[axis] = direction[axis] - here[axis];
        }
        determinant = by_s[0] * by_t[1] - by_t[0] * by_s[1];
        if (determinant == 0.0f)
            break;
        move[0] = (rest[0] * by_t[1] - by_t[0] * rest[1]) / determinant;
        move[1] = (by_s[0] * rest[1] - rest[0] * by_s[1]) / determinant;
        done = 1;
        for (axis = 0; axis < 2u; axis++) {
            move[axis] = bounded(move[axis], PREWARP_LONGEST_STEP);
            place[axis] = bounded(place[axis] + move[axis], PREWARP_FARTHEST);
            if (!(move[axis] <= PREWARP_DONE && move[axis] >= -PREWARP_DONE))
                done = 0;
        }
    }
    for (axis = 0; axis < 2u; axis++) {
        if (!(place[axis] <= 1.0f + PREWARP_DONE && place[axis] >= -(1.0f + PREWARP_DONE)))
            inside = 0;
    }
    panel_px[0] = (place[0] + 1.0f) * (map->width * 0.5f);
    panel_px[1] = (place[1] + 1.0f) * (map->height * 0.5f);
    return !done ? PREWARP_NOT_CONVERGED : inside ? PREWARP_OK : PREWARP_OFF_PANEL;
}
