/* Holds every blob that a fuzzer opens to what prewarp_open promises (promises.h): the run ends where something is not
 * kept. Numbers are read anew here, byte by byte and bit by bit. */
#ifndef PREWARP_KEPT_PROMISES_H
#define PREWARP_KEPT_PROMISES_H

#include <stdint.h>
#include <stdlib.h>

#include "prewarp_lookup.h"

static void keep(int kept)
{
    if (!kept)
        abort();
}

static uint32_t number_at(const unsigned char *p, uint32_t bytes)
{
    uint32_t value = (uint32_t)p[0] | (uint32_t)p[1] << 8;
    if (bytes == 4u)
        value |= (uint32_t)p[2] << 16 | (uint32_t)p[3] << 24;
    return value;
}

static uint32_t four_at(const unsigned char *p)
{
    return number_at(p, 4u);
}

static int is_within(uint32_t value, uint32_t low, uint32_t high)
{
    return value >= low && value <= high;
}

static const unsigned char *record_of_block(const prewarp_lookup *lookup, uint32_t place)
{
    keep(place < lookup->block_count);
    return lookup->bytes + lookup->offset[PREWARP_SECTION_BLOCKS] + PREWARP_BLOCK_BYTES * place;
}

/* So many numbers of a format, inside the blob. */
static void keep_block(const prewarp_lookup *lookup, uint32_t place, uint32_t format, uint32_t count)
{
    const unsigned char *record = record_of_block(lookup, place);
    const uint64_t bits = format == PREWARP_FLOAT32  ? 32u
                          : format == PREWARP_UINT8  ? 8u
                          : format == PREWARP_UINT16 ? 16u
                                                     : format;
    keep(number_at(record + PREWARP_BLOCK_FORMAT, 2u) == format && four_at(record + PREWARP_BLOCK_COUNT) == count);
    keep((uint64_t)lookup->offset[PREWARP_SECTION_DATA] + four_at(record + PREWARP_BLOCK_OFFSET) + (count * bits + 7u) / 8u <=
         lookup->size);
}

/* A signed format of codes. */
static uint32_t format_of(const prewarp_lookup *lookup, uint32_t place)
{
    const uint32_t format = number_at(record_of_block(lookup, place) + PREWARP_BLOCK_FORMAT, 2u);
    keep(format == PREWARP_INT8 || format == PREWARP_INT12 || format == PREWARP_INT16);
    return format;
}

/* Numbers of a border: 3 to 512 points. */
static uint32_t border_numbers(const prewarp_lookup *lookup, const unsigned char *record)
{
    const uint32_t count = four_at(record_of_block(lookup, number_at(record + PREWARP_BORDER_BLOCK, 2u)) + PREWARP_BLOCK_COUNT);
    keep(count % 2u == 0u && count >= 6u && count <= 2u * PREWARP_MAX_BORDER_POINTS);
    return count;
}

#define A_PLACE const unsigned char *
#define NUMBER(p, bytes, low, high) keep(is_within(number_at(p, bytes), low, high))
#define SHAPE(p, bytes, low, high, chosen) ((void)(chosen), NUMBER(p, bytes, low, high))
#define LINK(p, low, high, chosen) \
    ((void)(chosen), keep(number_at(p, 2u) == PREWARP_NONE || is_within(number_at(p, 2u), low, high)))
#define SIZED(p, bits) keep((four_at(p) & 0x7FFFFFFFu) <= (bits))
#define POSITIVE(p, bits) keep(four_at(p) == 0x80000000u || is_within(four_at(p), 0u, bits))
#define BETWEEN(p, low, high) keep(is_within(four_at(p), low, high))
#define BLOCK(lookup, place, format, count) keep_block(lookup, place, format, count)
#define SCALE_OF(lookup, place) (record_of_block(lookup, place) + PREWARP_BLOCK_SCALE)
#define NUMBERS_OF(lookup, place) \
    (lookup->bytes + lookup->offset[PREWARP_SECTION_DATA] + four_at(record_of_block(lookup, place) + PREWARP_BLOCK_OFFSET))
#define CODES(lookup, record) keep_codes(lookup, record)
#define MAP_FORMAT(lookup, place) format_of(lookup, place)
#define MAP_BYTES four_at(record_of_block(lookup, number_at(record + PREWARP_MAP_FIRST_BLOCK, 2u)) + PREWARP_BLOCK_COUNT)
#define BORDER_COUNT(lookup, record) border_numbers(lookup, record)

/* Choices of shapes, which nobody asks for here. */
#define MAP_FAMILY 0u
#define MAP_COLUMNS 0u
#define MAP_ROWS 0u
#define MAP_PUPIL_DEGREE 0u
#define MAP_MODES 0u
#define MAP_BLOCKS 0u
#define MAP_BASED 0u
#define BORDER_REGIONS 0u
#define REGION_DEGREE 0u
#define REGION_PUPIL_DEGREE 0u
#define GAIN_DEGREE 0u
#define GAIN_PUPIL_DEGREE 0u
#define CLAIM_COLUMNS 0u
#define CLAIM_ROWS 0u

static uint32_t bits_at(const unsigned char *bytes, size_t place, uint32_t width)
{
    uint32_t value = 0, bit;
    for (bit = 0; bit < width; bit++)
        value |= (uint32_t)(bytes[(place + bit) >> 3] >> ((place + bit) & 7u) & 1u) << bit;
    return value;
}

/* Codes of a Chebyshev map: rows of degrees below its columns, all before the zeros at the end, counted bit by bit. */
static void keep_codes(const prewarp_lookup *lookup, const unsigned char *record)
{
    static const unsigned char widths[1u << PREWARP_TERM_WIDTH_BITS] = PREWARP_TERM_WIDTHS;
    const uint32_t first = number_at(record + PREWARP_MAP_FIRST_BLOCK, 2u);
    const unsigned char *bytes = NUMBERS_OF(lookup, first);
    const size_t end = ((size_t)four_at(record_of_block(lookup, first) + PREWARP_BLOCK_COUNT) - PREWARP_TERM_ZEROS) * 8u;
    uint32_t row, odd, i, j, count;
    size_t place = 0;
    for (row = 0; row < 2u * number_at(record + PREWARP_MAP_MODES, 2u); row++) {
        uint32_t top, choice;
        keep(place < end);
        if (bits_at(bytes, place++, 1u) == 0u)
            continue;
        top = bits_at(bytes, place, PREWARP_TERM_DEGREE_BITS);
        choice = bits_at(bytes, place + PREWARP_TERM_DEGREE_BITS, PREWARP_TERM_CHOICE_BITS);
        place += PREWARP_TERM_DEGREE_BITS + PREWARP_TERM_CHOICE_BITS;
        keep(top < number_at(record + PREWARP_MAP_COLUMNS, 2u) && choice <= PREWARP_TERMS_BOTH);
        for (odd = 0; odd < 2u; odd++) {
            count = 0;
            for (j = odd; j <= top && (choice == PREWARP_TERMS_BOTH || choice == odd); j += 2u) {
                for (i = 0; i + j <= top; i++)
                    count++;
            }
            for (; count > 0u; count -= count < PREWARP_TERM_RUN ? count : PREWARP_TERM_RUN) {
                keep(place + PREWARP_TERM_WIDTH_BITS <= end);
                place += PREWARP_TERM_WIDTH_BITS +
                         widths[bits_at(bytes, place, PREWARP_TERM_WIDTH_BITS)] *
                             (count < PREWARP_TERM_RUN ? count : PREWARP_TERM_RUN);
                keep(place <= end);
            }
        }
    }
}

#include "promises.h"

#endif
