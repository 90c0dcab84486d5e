/* What prewarp_open promises of a blob that it accepts: all that the other functions rely on, each with the rule of
 * prewarp_open.c that keeps it. One text for two uses: a fuzzer defines the words in capitals so that a promise that is
 * not kept ends it (fuzz_parts.h), the driver of the static proof (tests/long/eva_parts.c) so that it is assumed. */
#ifndef PREWARP_PROMISES_H
#define PREWARP_PROMISES_H

#include "prewarp_bytes.h"

/* To be defined before:
 *   NUMBER(p, bytes, low, high)         a whole number without sign, from low to high
 *   SHAPE(p, bytes, low, high, chosen)  the same; the proof takes `chosen`
 *   LINK(p, low, high, chosen)          two bytes, as SHAPE, or PREWARP_NONE
 *   SIZED(p, bits)                      a float, |x| at most the one of these bits
 *   POSITIVE(p, bits)                   a float from 0 to the one of these bits, or -0
 *   BETWEEN(p, low, high)               a float between two of these bits
 *   BLOCK(lookup, place, format, count) a block of so many numbers; they lie inside the blob
 *   CODES(lookup, record)               codes of a Chebyshev map are of degrees below its columns and end before the zeros
 *   SCALE_OF, NUMBERS_OF(lookup, place) where a block's scale and its numbers stand
 *   MAP_FORMAT(lookup, place), BORDER_COUNT(lookup, record), MAP_BYTES: format of modes, numbers of a border, of codes
 *   A_PLACE                             pointer to bytes of the blob
 * `chosen` is never asked for by a fuzzer. */

/* frame_is_good */
static void promise_frame(A_PLACE frame)
{
    uint32_t axis;
    for (axis = 0; axis < 2u; axis++) {
        SIZED(frame + 4u * axis, PREWARP_LARGEST_PUPIL_MM_BITS);
        BETWEEN(frame + 8u + 4u * axis, PREWARP_LEAST_HALF_MM_BITS, PREWARP_LARGEST_PUPIL_MM_BITS);
    }
}

/* check_display */
static void promise_display(A_PLACE blob, const prewarp_lookup *lookup)
{
    A_PLACE record = blob + lookup->offset[PREWARP_SECTION_DISPLAY];
    uint32_t axis, place;
    for (axis = 0; axis < 3u; axis++) {
        SIZED(record + PREWARP_DISPLAY_PUPIL_LOW + 4u * axis, PREWARP_LARGEST_PUPIL_MM_BITS);
        SIZED(record + PREWARP_DISPLAY_PUPIL_HIGH + 4u * axis, PREWARP_LARGEST_PUPIL_MM_BITS);
    }
    for (place = 0; place < lookup->channel_count; place++) {
        record = blob + lookup->offset[PREWARP_SECTION_CHANNELS] + PREWARP_CHANNEL_BYTES * place;
        NUMBER(record + PREWARP_CHANNEL_PANEL_WIDTH, 4u, 16u, 32768u); /* is_picture */
        NUMBER(record + PREWARP_CHANNEL_PANEL_HEIGHT, 4u, 16u, 32768u);
    }
}

/* chebyshev_is_good */
static void promise_chebyshev(A_PLACE record, const prewarp_lookup *lookup)
{
    uint32_t degree;
    SHAPE(record + PREWARP_MAP_COLUMNS, 2u, 1u, PREWARP_MAX_PANEL_DEGREE + 1u, MAP_COLUMNS);
    SHAPE(record + PREWARP_MAP_ROWS, 2u, prewarp_u16(record + PREWARP_MAP_COLUMNS),
          prewarp_u16(record + PREWARP_MAP_COLUMNS), MAP_COLUMNS);
    degree = prewarp_u16(record + PREWARP_MAP_PUPIL_DEGREE);
    SHAPE(record + PREWARP_MAP_MODES, 2u, prewarp_function_count(degree), prewarp_function_count(degree),
          prewarp_function_count(degree));
    SHAPE(record + PREWARP_MAP_BLOCK_COUNT, 2u, 0u, 1u, 1u);
    if (prewarp_u16(record + PREWARP_MAP_BLOCK_COUNT) == 0u)
        return;
    BLOCK(lookup, prewarp_u16(record + PREWARP_MAP_FIRST_BLOCK), PREWARP_UINT8, MAP_BYTES);
    POSITIVE(SCALE_OF(lookup, prewarp_u16(record + PREWARP_MAP_FIRST_BLOCK)), PREWARP_LARGEST_TANGENT_BITS);
    CODES(lookup, record);
}

/* modes_are_good */
static void promise_spline(A_PLACE record, const prewarp_lookup *lookup)
{
    const uint32_t degree = prewarp_u16(record + PREWARP_MAP_PUPIL_DEGREE);
    uint32_t first, modes, place, count;
    SHAPE(record + PREWARP_MAP_COLUMNS, 2u, PREWARP_MIN_SPLINE_COEFFICIENTS, PREWARP_MAX_COEFFICIENTS, MAP_COLUMNS);
    SHAPE(record + PREWARP_MAP_ROWS, 2u, PREWARP_MIN_SPLINE_COEFFICIENTS, PREWARP_MAX_COEFFICIENTS, MAP_ROWS);
    SHAPE(record + PREWARP_MAP_MODES, 2u, 1u, PREWARP_MAX_MODES, MAP_MODES);
    modes = prewarp_u16(record + PREWARP_MAP_MODES);
    SHAPE(record + PREWARP_MAP_BLOCK_COUNT, 2u, modes + 1u, modes + 1u, modes + 1u);
    first = prewarp_u16(record + PREWARP_MAP_FIRST_BLOCK);
    count = prewarp_u16(record + PREWARP_MAP_COLUMNS) * prewarp_u16(record + PREWARP_MAP_ROWS) * 2u;
    BLOCK(lookup, first, PREWARP_FLOAT32, modes * prewarp_function_count(degree));
    for (place = 0; place < modes * prewarp_function_count(degree); place++)
        SIZED(NUMBERS_OF(lookup, first) + 4u * place, PREWARP_LARGEST_WEIGHT_BITS);
    for (place = 1; place <= modes; place++) {
        BLOCK(lookup, first + place, MAP_FORMAT(lookup, first + place), count);
        POSITIVE(SCALE_OF(lookup, first + place), PREWARP_LARGEST_TANGENT_BITS);
    }
}

/* check_maps */
static void promise_maps(A_PLACE blob, const prewarp_lookup *lookup)
{
    uint32_t place, entry;
    for (place = 0; place < lookup->map_count; place++) {
        A_PLACE record = blob + lookup->offset[PREWARP_SECTION_MAPS] + PREWARP_MAP_BYTES * place;
        NUMBER(record + PREWARP_MAP_CHANNEL, 2u, 0u, lookup->channel_count - 1u);
        NUMBER(record + PREWARP_MAP_COLOUR, 2u, 0u, lookup->colour_count - 1u);
        if (place == 0u)
            SHAPE(record + PREWARP_MAP_BASE, 2u, PREWARP_NONE, PREWARP_NONE, PREWARP_NONE);
        else
            LINK(record + PREWARP_MAP_BASE, 0u, place - 1u, MAP_BASED ? 0u : PREWARP_NONE); /* base_is_good */
        SHAPE(record + PREWARP_MAP_FAMILY, 2u, 1u, 2u, MAP_FAMILY);
        SHAPE(record + PREWARP_MAP_PUPIL_DEGREE, 2u, 0u, PREWARP_MAX_PUPIL_DEGREE, MAP_PUPIL_DEGREE);
        SHAPE(record + PREWARP_MAP_FIRST_BLOCK, 2u, 0u, lookup->block_count, MAP_BLOCKS * place);
        for (entry = 0; entry < 6u; entry++)
            SIZED(record + PREWARP_MAP_AFFINE + 4u * entry, PREWARP_LARGEST_TANGENT_BITS);
        if (prewarp_u16(record + PREWARP_MAP_FAMILY) == PREWARP_FAMILY_CHEBYSHEV)
            promise_chebyshev(record, lookup);
        else
            promise_spline(record, lookup);
        if (lookup->border_count == 0u) /* border_is_good */
            SHAPE(record + PREWARP_MAP_BORDER, 2u, PREWARP_NONE, PREWARP_NONE, PREWARP_NONE);
        else
            SHAPE(record + PREWARP_MAP_BORDER, 2u, place, place, place);
        if (lookup->gain_count == 0u) /* gain_is_good */
            SHAPE(record + PREWARP_MAP_GAIN, 2u, PREWARP_NONE, PREWARP_NONE, PREWARP_NONE);
        else
            LINK(record + PREWARP_MAP_GAIN, 0u, lookup->gain_count - 1u, place);
    }
}

/* claims_are_good */
static void promise_claims(A_PLACE blob, const prewarp_lookup *lookup)
{
    A_PLACE record = blob + lookup->offset[PREWARP_SECTION_CLAIMS];
    if (lookup->claims_count == 0u)
        return;
    SHAPE(record + PREWARP_CLAIMS_COLUMNS, 2u, PREWARP_MIN_CLAIM_COEFFICIENTS, PREWARP_MAX_CLAIM_COEFFICIENTS,
          CLAIM_COLUMNS);
    SHAPE(record + PREWARP_CLAIMS_ROWS, 2u, PREWARP_MIN_CLAIM_COEFFICIENTS, PREWARP_MAX_CLAIM_COEFFICIENTS, CLAIM_ROWS);
    SIZED(record + PREWARP_CLAIMS_ORIGIN, PREWARP_LARGEST_DEG_BITS);
    SIZED(record + PREWARP_CLAIMS_ORIGIN + 4u, PREWARP_LARGEST_DEG_BITS);
    BETWEEN(record + PREWARP_CLAIMS_PITCH, PREWARP_LEAST_PITCH_DEG_BITS, PREWARP_LARGEST_DEG_BITS);
    BETWEEN(record + PREWARP_CLAIMS_LEAST, PREWARP_SMALLEST_CLAIM_BITS, 0x3F800000u);
    SHAPE(record + PREWARP_CLAIMS_BLOCK, 2u, 0u, lookup->block_count - 1u, MAP_BLOCKS * lookup->map_count);
    BLOCK(lookup, prewarp_u16(record + PREWARP_CLAIMS_BLOCK), PREWARP_INT16,
          lookup->channel_count * prewarp_u16(record + PREWARP_CLAIMS_COLUMNS) *
              prewarp_u16(record + PREWARP_CLAIMS_ROWS));
    POSITIVE(SCALE_OF(lookup, prewarp_u16(record + PREWARP_CLAIMS_BLOCK)), 0x3F800000u);
}

/* Terms of a region, as an owner of codes reads them: loops of region_value. */
static uint32_t promised_terms(uint32_t degree, uint32_t most)
{
    uint32_t total, b, c, d, term = 0;
    for (total = 0; total <= degree; total++)
        for (d = 0; d <= total; d++)
            for (c = 0; c <= total - d && c + d <= most; c++)
                for (b = 0; b <= total - d - c; b++)
                    term++;
    return term;
}

/* border_is_good, regions_are_good */
static void promise_borders(A_PLACE blob, const prewarp_lookup *lookup)
{
    uint32_t place, axis, block = MAP_BLOCKS * lookup->map_count + lookup->claims_count;
    for (place = 0; place < lookup->border_count; place++) {
        A_PLACE record = blob + lookup->offset[PREWARP_SECTION_BORDERS] + PREWARP_BORDER_BYTES * place;
        SHAPE(record + PREWARP_BORDER_BLOCK, 2u, 0u, lookup->block_count - 1u, block + place);
        BLOCK(lookup, prewarp_u16(record + PREWARP_BORDER_BLOCK), PREWARP_UINT16, BORDER_COUNT(lookup, record));
        SHAPE(record + PREWARP_BORDER_REGION_COUNT, 2u, 0u, PREWARP_MAX_REGIONS, BORDER_REGIONS);
        SHAPE(record + PREWARP_BORDER_FIRST_REGION, 2u, 0u,
              lookup->region_count - prewarp_u16(record + PREWARP_BORDER_REGION_COUNT), BORDER_REGIONS * place);
        for (axis = 0; axis < 2u; axis++)
            POSITIVE(record + PREWARP_BORDER_MIDDLE + 4u * axis, 0x47000000u); /* 32768 px, the largest panel */
    }
    block += lookup->border_count;
    for (place = 0; place < lookup->region_count; place++) {
        A_PLACE record = blob + lookup->offset[PREWARP_SECTION_REGIONS] + PREWARP_REGION_BYTES * place;
        SHAPE(record + PREWARP_REGION_DEGREE, 2u, 0u, PREWARP_MAX_REGION_DEGREE, REGION_DEGREE);
        SHAPE(record + PREWARP_REGION_PUPIL_DEGREE, 2u, 0u, prewarp_u16(record + PREWARP_REGION_DEGREE),
              REGION_PUPIL_DEGREE);
        promise_frame(record + PREWARP_REGION_CENTRE);
        SHAPE(record + PREWARP_REGION_BLOCK, 2u, 0u, lookup->block_count - 1u, block + place);
        BLOCK(lookup, prewarp_u16(record + PREWARP_REGION_BLOCK), PREWARP_INT16,
              promised_terms(prewarp_u16(record + PREWARP_REGION_DEGREE), prewarp_u16(record + PREWARP_REGION_PUPIL_DEGREE)));
    }
}

/* gain_is_good */
static void promise_gains(A_PLACE blob, const prewarp_lookup *lookup)
{
    const uint32_t block = MAP_BLOCKS * lookup->map_count + lookup->claims_count + lookup->border_count +
                           lookup->region_count;
    uint32_t place;
    for (place = 0; place < lookup->gain_count; place++) {
        A_PLACE record = blob + lookup->offset[PREWARP_SECTION_GAINS] + PREWARP_GAIN_BYTES * place;
        SHAPE(record + PREWARP_GAIN_PANEL_DEGREE, 2u, 0u, PREWARP_MAX_GAIN_DEGREE, GAIN_DEGREE);
        SHAPE(record + PREWARP_GAIN_PUPIL_DEGREE, 2u, 0u, PREWARP_MAX_PUPIL_DEGREE, GAIN_PUPIL_DEGREE);
        promise_frame(record + PREWARP_GAIN_CENTRE);
        SHAPE(record + PREWARP_GAIN_BLOCK, 2u, 0u, lookup->block_count - 1u, block + place);
        BLOCK(lookup, prewarp_u16(record + PREWARP_GAIN_BLOCK), PREWARP_INT16,
              prewarp_graded_count(prewarp_u16(record + PREWARP_GAIN_PANEL_DEGREE)) *
                  prewarp_graded_count(prewarp_u16(record + PREWARP_GAIN_PUPIL_DEGREE)));
        POSITIVE(SCALE_OF(lookup, prewarp_u16(record + PREWARP_GAIN_BLOCK)), 0x3F800000u);
    }
}

static void promise_all(A_PLACE blob, const prewarp_lookup *lookup)
{
    promise_display(blob, lookup);
    promise_maps(blob, lookup);
    promise_claims(blob, lookup);
    promise_borders(blob, lookup);
    promise_gains(blob, lookup);
}

#endif
