/* Reading the codes of Chebyshev terms: whole numbers of any width, lowest bit first, in runs of eight. */
#ifndef PREWARP_BITS_H
#define PREWARP_BITS_H

#include "prewarp_bytes.h"

/* `place` is the bit that comes next. Seven bytes of zeros end a block, so that eight can be read from any bit before. */
typedef struct {
    const unsigned char *bytes;
    size_t place;
} prewarp_bits;

static inline uint32_t prewarp_take(prewarp_bits *from, uint32_t width) /* at most 25 */
{
    const uint32_t four = prewarp_u32(from->bytes + (from->place >> 3)) >> (from->place & 7u);
    from->place += width;
    return four & (((uint32_t)1 << width) - 1u);
}

/* A code of some width: two's complement; 0 of no bits. */
static inline int32_t prewarp_take_code(prewarp_bits *from, uint32_t width)
{
    const uint32_t half = (uint32_t)1 << width >> 1;
    return (int32_t)(prewarp_take(from, width) ^ half) - (int32_t)half;
}

static inline uint32_t prewarp_take_width(prewarp_bits *from)
{
    static const unsigned char widths[1u << PREWARP_TERM_WIDTH_BITS] = PREWARP_TERM_WIDTHS;
    return widths[prewarp_take(from, PREWARP_TERM_WIDTH_BITS)];
}

/* What stands before the codes of a row: its highest degree, and which j it has. */
typedef struct {
    uint32_t top, choice;
} prewarp_row;

static inline prewarp_row prewarp_take_row(prewarp_bits *from)
{
    prewarp_row row;
    const uint32_t both = prewarp_take(from, PREWARP_TERM_DEGREE_BITS + PREWARP_TERM_CHOICE_BITS);
    row.top = both % (1u << PREWARP_TERM_DEGREE_BITS);
    row.choice = both >> PREWARP_TERM_DEGREE_BITS;
    return row;
}

/* How many codes of even j, or of odd j, a row has. */
static inline uint32_t prewarp_row_codes(prewarp_row row, uint32_t odd)
{
    const uint32_t only = odd ? PREWARP_TERMS_ODD : PREWARP_TERMS_EVEN;
    return row.choice == PREWARP_TERMS_BOTH || row.choice == only ? prewarp_terms_below(row.top + 1u, odd) : 0u;
}

#endif
