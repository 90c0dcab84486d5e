/* The integer path, for parts without a floating-point unit: no float is touched, floats of the blob are read by their
 * bits. Directions, coefficients, s and t are 32-bit numbers of 2^-28; products are 64 bits wide and rounded; what does
 * not fit is cut to the largest number. */
#include "prewarp_fixed.h"
#include "prewarp_bits.h"

/* ---- pupil part ---- */

static void unit_pupil(const prewarp_lookup *lookup, const int32_t pupil[3], int64_t unit[3])
{
    const unsigned char *display = prewarp_record(lookup, PREWARP_SECTION_DISPLAY, PREWARP_DISPLAY_BYTES, 0);
    uint32_t axis;
    for (axis = 0; axis < 3u; axis++) {
        int64_t low = pupil_from_bits(prewarp_u32(display + PREWARP_DISPLAY_PUPIL_LOW + 4u * axis));
        int64_t high = pupil_from_bits(prewarp_u32(display + PREWARP_DISPLAY_PUPIL_HIGH + 4u * axis));
        int64_t at = 2 * (int64_t)pupil[axis] - low - high, length = high - low;
        unit[axis] = 0;
        if (length > 0)
            unit[axis] = clamped_to(at, length) * UNIT / length;
    }
}

static uint32_t pupil_functions(const int64_t unit[3], uint32_t degree, int32_t *values)
{
    int32_t x[PREWARP_MAX_PUPIL_DEGREE + 1u], y[PREWARP_MAX_PUPIL_DEGREE + 1u], z[PREWARP_MAX_PUPIL_DEGREE + 1u];
    uint32_t total, c, b, count = 0;
    chebyshev(unit[0], degree, x);
    chebyshev(unit[1], degree, y);
    chebyshev(unit[2], degree, z);
    for (total = 0; total <= degree; total++) {
        for (c = 0; c <= total; c++) {
            for (b = 0; b <= total - c; b++)
                values[count++] = cut(product(product(x[total - c - b], y[b]), z[c]));
        }
    }
    return count;
}

static void add(int32_t *sum, int64_t value) /* value at most 2^62 */
{
    *sum = cut(*sum + value);
}

/* sums += factor x codes, `count` of them */
static void add_run_codes(prewarp_bits *bits, uint32_t count, number factor, int32_t *sums)
{
    uint32_t from, place;
    for (from = 0; from < count; from += PREWARP_TERM_RUN) {
        const uint32_t width = prewarp_take_width(bits);
        const uint32_t end = count - from < PREWARP_TERM_RUN ? count : from + PREWARP_TERM_RUN;
        for (place = from; width > 0u && place < end; place++)
            add(sums + place, multiplied(factor, prewarp_take_code(bits, width)));
    }
}

/* Rows in turn, as in the float path. */
static void add_chebyshev(const prewarp_lookup *lookup, const unsigned char *record, const int64_t unit[3],
                          int32_t *coefficients)
{
    const uint32_t degree = prewarp_u16(record + PREWARP_MAP_COLUMNS) - 1u;
    int32_t values[PREWARP_MAX_PUPIL_FUNCTIONS];
    uint32_t modes = pupil_functions(unit, prewarp_u16(record + PREWARP_MAP_PUPIL_DEGREE), values), component, row;
    prewarp_block block;
    prewarp_bits bits = {NULL, 0};
    if (prewarp_u16(record + PREWARP_MAP_BLOCK_COUNT) == 0u)
        return;
    block = prewarp_block_at(lookup, prewarp_u16(record + PREWARP_MAP_FIRST_BLOCK));
    bits.bytes = block.numbers;
    for (component = 0; component < 2u; component++, coefficients += prewarp_graded_count(degree)) {
        for (row = 0; row < modes; row++) {
            prewarp_row head;
            number factor;
            if (!prewarp_take(&bits, 1))
                continue;
            factor = multiplier(values[row], block.scale_bits);
            head = prewarp_take_row(&bits);
            add_run_codes(&bits, prewarp_row_codes(head, 0), factor, coefficients);
            add_run_codes(&bits, prewarp_row_codes(head, 1), factor, coefficients + prewarp_terms_below(degree + 1u, 0));
        }
    }
}

static int64_t coefficient_position(uint32_t coefficients, uint32_t place)
{
    int64_t last = (int64_t)coefficients - 3;
    return (2 * ((int64_t)place - 1) - last) * UNIT / last;
}

static void add_affine(const unsigned char *record, int32_t *coefficients)
{
    uint32_t columns = prewarp_u16(record + PREWARP_MAP_COLUMNS), rows = prewarp_u16(record + PREWARP_MAP_ROWS);
    uint32_t column, row, entry;
    int64_t affine[6];
    for (entry = 0; entry < 6u; entry++)
        affine[entry] =
            clamped_to(fixed_from_bits(prewarp_u32(record + PREWARP_MAP_AFFINE + 4u * entry), ONE), 16 * UNIT);
    for (column = 0; column < columns; column++) {
        int64_t s = coefficient_position(columns, column);
        for (row = 0; row < rows; row++) {
            int64_t t = coefficient_position(rows, row);
            add(coefficients, affine[0] + shifted(affine[1] * s, ONE) + shifted(affine[2] * t, ONE));
            add(coefficients + 1, affine[3] + shifted(affine[4] * s, ONE) + shifted(affine[5] * t, ONE));
            coefficients += 2;
        }
    }
}

static inline void add_codes(prewarp_block block, uint32_t format, uint32_t count, number factor, int32_t *sums)
{
    uint32_t place;
    block.format = format;
    for (place = 0; place < count; place++)
        add(sums + place, multiplied(factor, prewarp_code(&block, place)));
}

static void add_numbers(const prewarp_block *block, uint32_t count, number factor, int32_t *sums)
{
    switch (block->format) {
    case PREWARP_INT8:
        add_codes(*block, PREWARP_INT8, count, factor, sums);
        break;
    case PREWARP_INT16:
        add_codes(*block, PREWARP_INT16, count, factor, sums);
        break;
    default:
        add_codes(*block, PREWARP_INT12, count, factor, sums);
        break;
    }
}

static void add_modes(const prewarp_lookup *lookup, const unsigned char *record, const int64_t unit[3],
                      int32_t *coefficients)
{
    int32_t values[PREWARP_MAX_PUPIL_FUNCTIONS];
    uint32_t functions = pupil_functions(unit, prewarp_u16(record + PREWARP_MAP_PUPIL_DEGREE), values);
    uint32_t first = prewarp_u16(record + PREWARP_MAP_FIRST_BLOCK), modes = prewarp_u16(record + PREWARP_MAP_MODES),
             mode, place;
    uint32_t count = prewarp_u16(record + PREWARP_MAP_COLUMNS) * prewarp_u16(record + PREWARP_MAP_ROWS) * 2u;
    const unsigned char *polynomial = prewarp_block_at(lookup, first).numbers;
    add_affine(record, coefficients);
    for (mode = 0; mode < modes; mode++) {
        prewarp_block block = prewarp_block_at(lookup, first + 1u + mode);
        int64_t weight = 0;
        for (place = 0; place < functions; place++, polynomial += 4)
            weight += multiplied(from_bits(prewarp_u32(polynomial)), values[place]);
        add_numbers(&block, count, multiplier(cut(weight), block.scale_bits), coefficients);
    }
}

prewarp_status prewarp_fixed_prepare(const prewarp_lookup *lookup, uint32_t map, const int32_t pupil[3],
                                     const prewarp_fixed_map *base, int32_t *coefficients, size_t count,
                                     prewarp_fixed_map *prepared)
{
    const unsigned char *record, *channel;
    size_t needed = prewarp_coefficient_count(lookup, map), place;
    int64_t unit[3];
    if (needed == 0u || (base == NULL ? PREWARP_NONE : base->place) != prewarp_base_of(lookup, map))
        return PREWARP_NO_SUCH;
    if (count < needed)
        return PREWARP_TOO_SMALL;
    record = prewarp_map_record(lookup, map);
    channel = prewarp_channel_record(lookup, prewarp_u16(record + PREWARP_MAP_CHANNEL));
    for (place = 0; place < needed; place++)
        coefficients[place] = 0;
    unit_pupil(lookup, pupil, unit);
    if (prewarp_u16(record + PREWARP_MAP_FAMILY) == PREWARP_FAMILY_CHEBYSHEV)
        add_chebyshev(lookup, record, unit, coefficients);
    else
        add_modes(lookup, record, unit, coefficients);
    prepared->place = map;
    prepared->family = prewarp_u16(record + PREWARP_MAP_FAMILY);
    prepared->columns = prewarp_u16(record + PREWARP_MAP_COLUMNS);
    prepared->rows = prewarp_u16(record + PREWARP_MAP_ROWS);
    prepared->width = (int32_t)prewarp_u32(channel + PREWARP_CHANNEL_PANEL_WIDTH);
    prepared->height = (int32_t)prewarp_u32(channel + PREWARP_CHANNEL_PANEL_HEIGHT);
    prepared->coefficients = coefficients;
    prepared->base = base;
    return PREWARP_OK;
}

/* ---- single points and meshes ---- */

/* One number per j of the sum over columns at s: what is left depends on t alone. */
static int32_t chebyshev_line(const int32_t *own, uint32_t degree, uint32_t j, const int32_t *in_s)
{
    int64_t sum = 0;
    uint32_t i, place = prewarp_term_place(degree, 0, j);
    for (i = 0; i <= degree - j; place += prewarp_term_step(i + j, j), i++)
        sum += shifted((int64_t)own[place] * in_s[i], 6); /* 41 x 2^56 */
    return cut(shifted(sum, ONE - 6));
}

static void own_direction_at(const prewarp_fixed_map *map, int64_t s, int64_t t, int32_t direction[2])
{
    uint32_t component, j;
    if (map->family == PREWARP_FAMILY_CHEBYSHEV) {
        int32_t in_s[PREWARP_MAX_PANEL_DEGREE + 1u], in_t[PREWARP_MAX_PANEL_DEGREE + 1u];
        uint32_t degree = map->columns - 1u;
        const int32_t *own = map->coefficients;
        chebyshev(s, degree, in_s);
        chebyshev(t, degree, in_t);
        for (component = 0; component < 2u; component++, own += prewarp_graded_count(degree)) {
            int64_t sum = 0;
            for (j = 0; j <= degree; j++)
                sum += shifted((int64_t)chebyshev_line(own, degree, j, in_s) * in_t[j], 6);
            direction[component] = cut(shifted(sum, ONE - 6));
        }
    } else {
        int64_t across[4], down[4];
        uint32_t column = spline_weights(map->columns, s, across), row = spline_weights(map->rows, t, down);
        const int32_t *own = map->coefficients + ((size_t)column * map->rows + row) * 2u;
        for (component = 0; component < 2u; component++) {
            int32_t lines[4];
            for (j = 0; j < 4u; j++)
                lines[j] = weighted(own + 2u * j + component, (size_t)map->rows * 2u, across);
            direction[component] = weighted(lines, 1, down);
        }
    }
}

static void direction_at(const prewarp_fixed_map *map, int64_t s, int64_t t, int32_t direction[2])
{
    own_direction_at(map, s, t, direction);
    if (map->base != NULL) {
        int32_t base[2];
        own_direction_at(map->base, s, t, base);
        direction[0] = cut((int64_t)base[0] + direction[0]);
        direction[1] = cut((int64_t)base[1] + direction[1]);
    }
}

static int64_t on_panel_axis(int32_t panel, int32_t size) /* px to s or t */
{
    int64_t whole = (int64_t)size << PANEL_ONE, at = 2 * (int64_t)panel - whole;
    return clamped_to(clamped_to(at, 2 * whole) * UNIT / whole, FARTHEST);
}

void prewarp_fixed_direction_from_panel(const prewarp_fixed_map *map, const int32_t panel[2], int32_t direction[2])
{
    direction_at(map, on_panel_axis(panel[0], map->width), on_panel_axis(panel[1], map->height), direction);
}

/* quotient x 2^-shift of two numbers of the same unit as a number of 2^-28, cut to the longest step */
static int64_t step_of(int64_t above, int64_t below, int shift)
{
    while (below > (int64_t)1 << 40 || below < -((int64_t)1 << 40)) {
        below = shifted(below, 1);
        above = shifted(above, 1);
    }
    /* |above / below| x 2^(28 - shift) must stay below 2^27, so above is cut first */
    if (above / below >= (int64_t)1 << shift || above / below <= -((int64_t)1 << shift))
        return (above < 0) == (below < 0) ? LONGEST_STEP : -LONGEST_STEP;
    while (above >= (int64_t)1 << 40 || above <= -((int64_t)1 << 40)) {
        above = shifted(above, 1);
        below = shifted(below, 1);
    }
    return clamped_to(above * ((int64_t)1 << (ONE - shift > 22 ? 22 : ONE - shift)) / below *
                          ((int64_t)1 << (ONE - shift > 22 ? ONE - shift - 22 : 0)),
                      LONGEST_STEP);
}

prewarp_status prewarp_fixed_panel_from_direction(const prewarp_fixed_map *map, const int32_t direction[2],
                                                  int32_t panel[2])
{
    int64_t place[2] = {0, 0};
    uint32_t step, axis;
    int done = 0, inside = 1;
    for (step = 0; step < PREWARP_INVERSE_STEPS && !done; step++) {
        int shift = step == 0u ? START_DIFFERENCE_SHIFT : DIFFERENCE_SHIFT;
        int64_t difference = UNIT >> shift, by_s[2], by_t[2], rest[2], move[2], determinant;
        int32_t here[2], at_s[2], at_t[2];
        direction_at(map, place[0], place[1], here);
        direction_at(map, place[0] + difference, place[1], at_s);
        direction_at(map, place[0], place[1] + difference, at_t);
        for (axis = 0; axis < 2u; axis++) {
            /* a quarter of the differences: products stay within 62 bits */
            by_s[axis] = shifted((int64_t)at_s[axis] - here[axis], 2);
            by_t[axis] = shifted((int64_t)at_t[axis] - here[axis], 2);
            rest[axis] = shifted((int64_t)direction[axis] - here[axis], 2);
        }
        determinant = by_s[0] * by_t[1] - by_t[0] * by_s[1];
        if (determinant == 0)
            break;
        move[0] = step_of(rest[0] * by_t[1] - by_t[0] * rest[1], determinant, shift);
        move[1] = step_of(by_s[0] * rest[1] - rest[0] * by_s[1], determinant, shift);
        done = 1;
        for (axis = 0; axis < 2u; axis++) {
            place[axis] = clamped_to(place[axis] + move[axis], FARTHEST);
            if (move[axis] > DONE || move[axis] < -DONE)
                done = 0;
        }
    }
    for (axis = 0; axis < 2u; axis++) {
        if (place[axis] > UNIT + DONE || place[axis] < -(UNIT + DONE))
            inside = 0;
    }
    panel[0] = cut(shifted((place[0] + UNIT) * map->width, ONE + 1 - PANEL_ONE));
    panel[1] = cut(shifted((place[1] + UNIT) * map->height, ONE + 1 - PANEL_ONE));
    return !done ? PREWARP_NOT_CONVERGED : inside ? PREWARP_OK : PREWARP_OFF_PANEL;
}
