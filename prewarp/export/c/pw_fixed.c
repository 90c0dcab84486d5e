/* The integer path, for parts without a floating-point unit: no float is touched, floats of the blob are read by their
 * bits. Directions, coefficients, s and t are 32-bit numbers of 2^-28; products are 64 bits wide and rounded; what does
 * not fit is cut to the largest number. */
#include "pw_bytes.h"

#define ONE 28
#define UNIT ((int64_t)1 << ONE)
#define PANEL_ONE 14
#define PUPIL_ONE 16
#define SHARE_ONE 16
/* PW_FARTHEST, PW_LONGEST_STEP, PW_DONE and the differences of the float path, as numbers of 2^-28 */
#define FARTHEST (UNIT + UNIT / 16)
#define LONGEST_STEP (UNIT / 2)
#define DONE ((int64_t)1 << (ONE - 19))
#define START_DIFFERENCE_SHIFT 1
#define DIFFERENCE_SHIFT 7

/* value / 2^shift, rounded half away from zero, for 0 <= shift; everything is lost from 63 on. */
static int64_t shifted(int64_t value, int shift)
{
    int64_t half;
    if (shift == 0)
        return value;
    if (shift > 62)
        return 0;
    half = (int64_t)1 << (shift - 1);
    if (value >= 0)
        return value > INT64_MAX - half ? value >> shift : (value + half) >> shift;
    return value < -INT64_MAX + half ? -(-(value + 1) >> shift) : -((-value + half) >> shift);
}

/* value x 2^up, or rounded value / 2^-up; cut to +-2^62 */
static int64_t scaled(int64_t value, int up)
{
    const int64_t most = (int64_t)1 << 62;
    if (up <= 0)
        return shifted(value, -up);
    if (value == 0)
        return 0;
    if (up > 62 || value > most >> up || value < -(most >> up))
        return value > 0 ? most : -most;
    return value * ((int64_t)1 << up);
}

static int32_t cut(int64_t value)
{
    return value > INT32_MAX ? INT32_MAX : value < -INT32_MAX ? -INT32_MAX : (int32_t)value;
}

static int64_t within(int64_t value, int64_t limit)
{
    return value > limit ? limit : value < -limit ? -limit : value;
}

static int64_t product(int64_t a, int64_t b) /* both at most 2^31 */
{
    return shifted(a * b, ONE);
}

/* value = mantissa x 2^exponent */
typedef struct {
    int64_t mantissa;
    int exponent;
} number;

static number from_bits(uint32_t bits) /* of a finite float32 */
{
    number result;
    uint32_t exponent = bits >> 23 & 255u, fraction = bits & 0x7FFFFFu;
    result.mantissa = exponent == 0u ? (int64_t)fraction : (int64_t)(fraction | 0x800000u);
    result.exponent = exponent == 0u ? -149 : (int)exponent - 150;
    if (bits >> 31)
        result.mantissa = -result.mantissa;
    return result;
}

static int64_t fixed_from_bits(uint32_t bits, int one)
{
    number value = from_bits(bits);
    return scaled(value.mantissa, value.exponent + one);
}

/* weight (2^-28) x a float32 as a mantissa of at most 31 bits; times a code it gives numbers of 2^-28 */
static number multiplier(int64_t weight, uint32_t scale_bits)
{
    number result = from_bits(scale_bits);
    int64_t most = (int64_t)1 << 31;
    result.mantissa *= weight; /* 2^24 x 2^31 */
    while (result.mantissa >= most || result.mantissa <= -most) {
        result.mantissa = shifted(result.mantissa, 1);
        result.exponent++;
    }
    return result;
}

static int64_t multiplied(number factor, int64_t code) /* code at most 2^31 */
{
    return scaled(factor.mantissa * code, factor.exponent);
}

/* T_0 .. T_degree of x, all numbers of 2^-28 */
static void chebyshev(int64_t x, uint32_t degree, int32_t *values)
{
    uint32_t k;
    values[0] = (int32_t)UNIT;
    if (degree > 0u)
        values[1] = cut(x);
    for (k = 2; k <= degree; k++)
        values[k] = cut(2 * product(x, values[k - 1u]) - values[k - 2u]);
}

/* First coefficient and weights (2^-28) along one mesh axis at x; returns how many: 4 or 2. */
static uint32_t axis_weights(uint32_t family, uint32_t coefficients, int64_t x, uint32_t *first, int64_t weights[4])
{
    uint32_t nodes = pw_nodes(family, coefficients);
    int64_t place = shifted((x + UNIT) * (int64_t)(nodes - 1u), 1), held = place > 0 ? place : 0, t, s, t2, t3;
    int64_t last = (int64_t)(nodes - 2u);
    held /= UNIT;
    held = held < last ? held : last;
    *first = (uint32_t)held;
    /* Beyond the panel's edge by more than a cell the map is of no use; the limit keeps products within 64 bits. */
    t = place - held * UNIT;
    t = t < -UNIT ? -UNIT : t > 2 * UNIT ? 2 * UNIT : t;
    s = UNIT - t;
    if (family != PW_FAMILY_SPLINE) {
        weights[0] = s;
        weights[1] = t;
        return 2;
    }
    t2 = product(t, t);
    t3 = product(t2, t);
    weights[0] = product(product(s, s), s) / 6;
    weights[1] = (3 * t3 - 6 * t2 + 4 * UNIT) / 6;
    weights[3] = t3 / 6;
    weights[2] = UNIT - weights[0] - weights[1] - weights[3];
    return 4;
}

/* ---- pupil part ---- */

static void unit_pupil(const pw_lookup *lookup, const int32_t pupil[3], int64_t unit[3])
{
    const unsigned char *display = pw_record(lookup, PW_SECTION_DISPLAY, PW_DISPLAY_BYTES, 0);
    uint32_t axis;
    for (axis = 0; axis < 3u; axis++) {
        int64_t low = fixed_from_bits(pw_u32(display + PW_DISPLAY_PUPIL_LOW + 4u * axis), PUPIL_ONE);
        int64_t high = fixed_from_bits(pw_u32(display + PW_DISPLAY_PUPIL_HIGH + 4u * axis), PUPIL_ONE);
        int64_t at = 2 * (int64_t)pupil[axis] - low - high;
        unit[axis] = 0;
        if (high > low)
            unit[axis] = within(at, high - low) * UNIT / (high - low);
    }
}

static uint32_t pupil_functions(const int64_t unit[3], uint32_t degree, int32_t *values)
{
    int32_t x[PW_MAX_PUPIL_DEGREE + 1u], y[PW_MAX_PUPIL_DEGREE + 1u], z[PW_MAX_PUPIL_DEGREE + 1u];
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

static void add(int32_t *sum, int64_t value)
{
    *sum = cut((int64_t)*sum + within(value, (int64_t)1 << 40));
}

static void add_chebyshev(const pw_lookup *lookup, const unsigned char *record, const int64_t unit[3],
                          int32_t *coefficients)
{
    uint32_t panel_functions = pw_graded_count(pw_u16(record + PW_MAP_COLUMNS) - 1u);
    int32_t values[PW_MAX_PUPIL_FUNCTIONS];
    uint32_t modes = pupil_functions(unit, pw_u16(record + PW_MAP_PUPIL_DEGREE), values);
    uint32_t first = pw_u16(record + PW_MAP_FIRST_BLOCK), count = pw_u16(record + PW_MAP_BLOCK_COUNT), start;
    for (start = 0; start < count; start += 3u) {
        pw_block counts = pw_block_at(lookup, first + start), places = pw_block_at(lookup, first + start + 1u);
        pw_block codes = pw_block_at(lookup, first + start + 2u);
        uint32_t row, term = 0;
        for (row = 0; row < 2u * modes; row++) {
            number factor = multiplier(values[row % modes], codes.scale_bits);
            int32_t *component = coefficients + (size_t)(row / modes) * panel_functions;
            uint32_t end = term + (uint32_t)pw_code(&counts, row);
            for (; term < end; term++)
                add(component + pw_code(&places, term), multiplied(factor, pw_code(&codes, term)));
        }
    }
}

static int64_t coefficient_position(uint32_t family, uint32_t coefficients, uint32_t place)
{
    int64_t last = (int64_t)pw_nodes(family, coefficients) - 1;
    int64_t at = (int64_t)place - (family == PW_FAMILY_SPLINE ? 1 : 0);
    return (2 * at - last) * UNIT / last;
}

static void add_affine(const unsigned char *record, int32_t *coefficients)
{
    uint32_t family = pw_u16(record + PW_MAP_FAMILY), columns = pw_u16(record + PW_MAP_COLUMNS);
    uint32_t rows = pw_u16(record + PW_MAP_ROWS), column, row, entry;
    int64_t affine[6];
    for (entry = 0; entry < 6u; entry++)
        affine[entry] = within(fixed_from_bits(pw_u32(record + PW_MAP_AFFINE + 4u * entry), ONE), 16 * UNIT);
    for (column = 0; column < columns; column++) {
        int64_t s = coefficient_position(family, columns, column);
        for (row = 0; row < rows; row++) {
            int64_t t = coefficient_position(family, rows, row);
            add(coefficients, affine[0] + shifted(affine[1] * s, ONE) + shifted(affine[2] * t, ONE));
            add(coefficients + 1, affine[3] + shifted(affine[4] * s, ONE) + shifted(affine[5] * t, ONE));
            coefficients += 2;
        }
    }
}

/* A finite half float as a whole number of 2^-24, cut to 16 */
static int64_t half_units(uint32_t bits)
{
    uint32_t exponent = bits >> 10 & 31u, fraction = bits & 1023u;
    int64_t size = exponent == 0u ? (int64_t)fraction : (int64_t)(fraction | 1024u) << (exponent - 1u);
    size = size > 16 * ((int64_t)1 << 24) ? 16 * ((int64_t)1 << 24) : size;
    return bits >> 15 ? -size : size;
}

static void add_numbers(const pw_block *block, uint32_t start, uint32_t count, number factor, int32_t *sums)
{
    uint32_t place;
    if (block->format == PW_HALF) {
        factor.exponent -= 24;
        for (place = 0; place < count; place++) {
            uint32_t bits = pw_u16(block->numbers + ((size_t)start + place) * 2u);
            add(sums + place, multiplied(factor, half_units(bits)));
        }
    } else {
        for (place = 0; place < count; place++)
            add(sums + place, multiplied(factor, pw_code(block, start + place)));
    }
}

static void add_modes(const pw_lookup *lookup, const unsigned char *record, const int64_t unit[3],
                      int32_t *coefficients)
{
    int32_t values[PW_MAX_PUPIL_FUNCTIONS];
    uint32_t functions = pupil_functions(unit, pw_u16(record + PW_MAP_PUPIL_DEGREE), values);
    uint32_t first = pw_u16(record + PW_MAP_FIRST_BLOCK), modes = pw_u16(record + PW_MAP_MODES), mode, place;
    uint32_t count = pw_u16(record + PW_MAP_COLUMNS) * pw_u16(record + PW_MAP_ROWS) * 2u;
    const unsigned char *polynomial = pw_block_at(lookup, first).numbers;
    add_affine(record, coefficients);
    for (mode = 0; mode < modes; mode++) {
        pw_block block = pw_block_at(lookup, first + 1u + mode);
        int64_t weight = 0;
        for (place = 0; place < functions; place++, polynomial += 4)
            weight += multiplied(from_bits(pw_u32(polynomial)), values[place]);
        add_numbers(&block, 0, count, multiplier(cut(weight), block.scale_bits), coefficients);
    }
}

static void add_lattice(const pw_lookup *lookup, const unsigned char *record, const int64_t unit[3],
                        int32_t *coefficients)
{
    uint32_t size = pw_u16(record + PW_MAP_COLUMNS) * pw_u16(record + PW_MAP_ROWS) * 2u, axis, corner;
    uint32_t counts[3], first[3];
    int64_t near_far[3][4];
    pw_block block = pw_block_at(lookup, pw_u16(record + PW_MAP_FIRST_BLOCK));
    add_affine(record, coefficients);
    for (axis = 0; axis < 3u; axis++) {
        counts[axis] = pw_u16(record + PW_MAP_PUPIL_COUNTS + 2u * axis);
        first[axis] = 0;
        near_far[axis][0] = UNIT;
        if (counts[axis] > 1u)
            (void)axis_weights(PW_FAMILY_LATTICE, counts[axis], unit[axis], &first[axis], near_far[axis]);
    }
    for (corner = 0; corner < 8u; corner++) {
        uint32_t x = corner & 1u, y = corner >> 1 & 1u, z = corner >> 2;
        uint32_t place = ((first[2] + z) * counts[1] + first[1] + y) * counts[0] + first[0] + x;
        int64_t weight;
        if ((x && counts[0] == 1u) || (y && counts[1] == 1u) || (z && counts[2] == 1u))
            continue;
        weight = product(product(near_far[0][x], near_far[1][y]), near_far[2][z]);
        add_numbers(&block, place * size, size, multiplier(weight, block.scale_bits), coefficients);
    }
}

pw_status pwx_prepare(const pw_lookup *lookup, uint32_t map, const int32_t pupil[3], const pwx_map *base,
                      int32_t *coefficients, size_t count, pwx_map *prepared)
{
    const unsigned char *record, *channel;
    size_t needed = pw_coefficient_count(lookup, map), place;
    int64_t unit[3];
    if (needed == 0u || (base == NULL ? PW_NONE : base->place) != pw_base_of(lookup, map))
        return PW_NO_SUCH;
    if (count < needed)
        return PW_TOO_SMALL;
    record = pw_map_record(lookup, map);
    channel = pw_channel_record(lookup, pw_u16(record + PW_MAP_CHANNEL));
    for (place = 0; place < needed; place++)
        coefficients[place] = 0;
    unit_pupil(lookup, pupil, unit);
    switch (pw_u16(record + PW_MAP_FAMILY)) {
    case PW_FAMILY_CHEBYSHEV:
        add_chebyshev(lookup, record, unit, coefficients);
        break;
    case PW_FAMILY_LATTICE:
        add_lattice(lookup, record, unit, coefficients);
        break;
    default:
        add_modes(lookup, record, unit, coefficients);
        break;
    }
    prepared->place = map;
    prepared->family = pw_u16(record + PW_MAP_FAMILY);
    prepared->columns = pw_u16(record + PW_MAP_COLUMNS);
    prepared->rows = pw_u16(record + PW_MAP_ROWS);
    prepared->width = (int32_t)pw_u32(channel + PW_CHANNEL_PANEL_WIDTH);
    prepared->height = (int32_t)pw_u32(channel + PW_CHANNEL_PANEL_HEIGHT);
    prepared->coefficients = coefficients;
    prepared->base = base;
    return PW_OK;
}

/* ---- single points and meshes ---- */

/* A line of the sum over columns at s: what is left depends on t alone. Chebyshev: one number per j; meshes: one per row. */
static int32_t chebyshev_line(const int32_t *own, uint32_t degree, uint32_t j, const int32_t *in_s)
{
    int64_t sum = 0;
    uint32_t i;
    for (i = 0; i <= degree - j; i++)
        sum += shifted((int64_t)own[pw_graded_place(i, j)] * in_s[i], 6); /* 41 x 2^56 */
    return cut(shifted(sum, ONE - 6));
}

static int32_t weighted(const int32_t *numbers, size_t stride, const int64_t weights[4], uint32_t taps)
{
    int64_t sum = 0;
    uint32_t tap;
    for (tap = 0; tap < taps; tap++)
        sum += shifted(weights[tap] * numbers[stride * tap], 4);
    return cut(shifted(sum, ONE - 4));
}

static void own_direction_at(const pwx_map *map, int64_t s, int64_t t, int32_t direction[2])
{
    uint32_t component, j;
    if (map->family == PW_FAMILY_CHEBYSHEV) {
        int32_t in_s[PW_MAX_PANEL_DEGREE + 1u], in_t[PW_MAX_PANEL_DEGREE + 1u];
        uint32_t degree = map->columns - 1u;
        const int32_t *own = map->coefficients;
        chebyshev(s, degree, in_s);
        chebyshev(t, degree, in_t);
        for (component = 0; component < 2u; component++, own += pw_graded_count(degree)) {
            int64_t sum = 0;
            for (j = 0; j <= degree; j++)
                sum += shifted((int64_t)chebyshev_line(own, degree, j, in_s) * in_t[j], 6);
            direction[component] = cut(shifted(sum, ONE - 6));
        }
    } else {
        uint32_t column, row, taps;
        int64_t across[4], down[4];
        size_t height = (size_t)map->rows * 2u;
        taps = axis_weights(map->family, map->columns, s, &column, across);
        (void)axis_weights(map->family, map->rows, t, &row, down);
        for (component = 0; component < 2u; component++) {
            int32_t lines[4];
            for (j = 0; j < taps; j++)
                lines[j] = weighted(map->coefficients + height * column + (row + j) * 2u + component, height, across, taps);
            direction[component] = weighted(lines, 1, down, taps);
        }
    }
}

static void direction_at(const pwx_map *map, int64_t s, int64_t t, int32_t direction[2])
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
    return within(within(at, 2 * whole) * UNIT / whole, FARTHEST);
}

void pwx_direction_from_panel(const pwx_map *map, const int32_t panel[2], int32_t direction[2])
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
    return within(above * ((int64_t)1 << (ONE - shift > 22 ? 22 : ONE - shift)) / below *
                      ((int64_t)1 << (ONE - shift > 22 ? ONE - shift - 22 : 0)),
                  LONGEST_STEP);
}

pw_status pwx_panel_from_direction(const pwx_map *map, const int32_t direction[2], int32_t panel[2])
{
    int64_t place[2] = {0, 0};
    uint32_t step, axis;
    int done = 0, inside = 1;
    for (step = 0; step < PW_INVERSE_STEPS && !done; step++) {
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
            place[axis] = within(place[axis] + move[axis], FARTHEST);
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
    return !done ? PW_NOT_CONVERGED : inside ? PW_OK : PW_OFF_PANEL;
}

size_t pwx_mesh_work_count(const pwx_map *map, uint32_t columns, uint32_t rows)
{
    (void)rows;
    return (size_t)(map->family == PW_FAMILY_CHEBYSHEV ? map->columns : map->rows) * columns * 2u;
}

static int64_t node_position(uint32_t place, uint32_t count)
{
    int64_t last = (int64_t)count - 1;
    return (2 * (int64_t)place - last) * UNIT / last;
}

pw_status pwx_mesh(const pwx_map *map, uint32_t columns, uint32_t rows, const int32_t *base_directions, int32_t *work,
                   size_t work_count, int32_t *directions)
{
    uint32_t column, row, j, component, first, taps, degree = map->columns - 1u;
    size_t width = (size_t)columns * 2u, height = (size_t)map->rows * 2u, place;
    int32_t values[PW_MAX_PANEL_DEGREE + 1u];
    int64_t weights[4];
    if ((base_directions == NULL) != (map->base == NULL))
        return PW_NO_SUCH;
    if (columns < 2u || rows < 2u || columns > 4097u || rows > 4097u)
        return PW_NO_SUCH;
    if (work_count < pwx_mesh_work_count(map, columns, rows))
        return PW_TOO_SMALL;
    for (column = 0; column < columns; column++) {
        int64_t s = node_position(column, columns);
        if (map->family == PW_FAMILY_CHEBYSHEV) {
            chebyshev(s, degree, values);
            for (component = 0; component < 2u; component++) {
                const int32_t *own = map->coefficients + (size_t)component * pw_graded_count(degree);
                for (j = 0; j <= degree; j++)
                    work[width * j + 2u * column + component] = chebyshev_line(own, degree, j, values);
            }
        } else {
            taps = axis_weights(map->family, map->columns, s, &first, weights);
            for (place = 0; place < height; place++)
                work[width * (place / 2u) + 2u * column + place % 2u] =
                    weighted(map->coefficients + height * first + place, height, weights, taps);
        }
    }
    for (row = 0; row < rows; row++) {
        int64_t t = node_position(row, rows);
        int32_t *out = directions + width * row;
        if (map->family == PW_FAMILY_CHEBYSHEV) {
            chebyshev(t, degree, values);
            for (place = 0; place < width; place++) {
                int64_t sum = 0;
                for (j = 0; j <= degree; j++)
                    sum += shifted((int64_t)work[width * j + place] * values[j], 6);
                out[place] = cut(shifted(sum, ONE - 6));
            }
        } else {
            taps = axis_weights(map->family, map->rows, t, &first, weights);
            for (place = 0; place < width; place++)
                out[place] = weighted(work + width * first + place, width, weights, taps);
        }
    }
    for (place = 0; base_directions != NULL && place < width * rows; place++)
        directions[place] = cut((int64_t)base_directions[place] + directions[place]);
    return PW_OK;
}

/* ---- weight and gain ---- */

static int32_t surface_value(const pw_lookup *lookup, uint32_t surface, const int32_t point[2], int one)
{
    const unsigned char *record = pw_surface_record(lookup, surface);
    pw_block block = pw_block_at(lookup, pw_u16(record + PW_SURFACE_BLOCK));
    uint32_t counts[2], first[2], axis, corner;
    int64_t share[2], codes[4], lines[2], code;
    counts[0] = pw_u16(record + PW_SURFACE_COLUMNS);
    counts[1] = pw_u16(record + PW_SURFACE_ROWS);
    for (axis = 0; axis < 2u; axis++) {
        /* domain ends up to 2^20 x 2^28: cut, so that the place keeps 16 bits of fraction within 64 bits */
        int64_t low = within(fixed_from_bits(pw_u32(record + PW_SURFACE_LOW + 4u * axis), one), (int64_t)1 << 34);
        int64_t high = within(fixed_from_bits(pw_u32(record + PW_SURFACE_HIGH + 4u * axis), one), (int64_t)1 << 34);
        int64_t last = (int64_t)(counts[axis] - 1u) << SHARE_ONE, length = high > low ? high - low : 1, at, place;
        at = (int64_t)point[axis] - low;
        at = at < 0 ? 0 : at > length ? length : at;
        place = at * last / length; /* 2^35 x 2^26 */
        first[axis] = (uint32_t)(place >> SHARE_ONE);
        if (first[axis] > counts[axis] - 2u)
            first[axis] = counts[axis] - 2u;
        share[axis] = place - ((int64_t)first[axis] << SHARE_ONE);
    }
    for (corner = 0; corner < 4u; corner++)
        codes[corner] = pw_code(&block, (first[0] + (corner & 1u)) * counts[1] + first[1] + (corner >> 1));
    for (axis = 0; axis < 2u; axis++)
        lines[axis] = (codes[2u * axis] << SHARE_ONE) + share[0] * (codes[2u * axis + 1u] - codes[2u * axis]);
    code = lines[0] + shifted(share[1] * (lines[1] - lines[0]), SHARE_ONE); /* code x 2^16 */
    return cut(within(fixed_from_bits(pw_u32(record + PW_SURFACE_OFFSET), SHARE_ONE), (int64_t)1 << 40) +
               within(multiplied(from_bits(block.scale_bits), code), (int64_t)1 << 40));
}

int32_t pwx_weight(const pw_lookup *lookup, uint32_t channel, const int32_t direction[2])
{
    uint32_t link;
    if (channel >= lookup->channel_count)
        return 0;
    link = pw_u16(pw_channel_record(lookup, channel) + PW_CHANNEL_WEIGHT);
    return link == PW_NONE ? (int32_t)1 << SHARE_ONE : surface_value(lookup, link, direction, ONE);
}

int32_t pwx_gain(const pw_lookup *lookup, uint32_t map, const int32_t panel[2])
{
    uint32_t link;
    if (map >= lookup->map_count)
        return 0;
    link = pw_u16(pw_map_record(lookup, map) + PW_MAP_GAIN);
    return link == PW_NONE ? (int32_t)1 << SHARE_ONE : surface_value(lookup, link, panel, PANEL_ONE);
}
