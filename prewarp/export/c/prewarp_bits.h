/* Reads the codes of Chebyshev terms: integers packed without gaps, lowest bit first. A run of eight codes has one
 * width. */
#ifndef PREWARP_BITS_H
#define PREWARP_BITS_H

#include "prewarp_bytes.h"

/* `place`: number of the next bit, from 0. A block ends in seven bytes of zeros, so eight bytes can be read from any
 * bit of its codes on. */
typedef struct {
    const unsigned char *bytes;
    size_t place;
} prewarp_bits;

/* Takes the next `width` bits, 25 at most, as an unsigned number. */
static inline uint32_t prewarp_take(prewarp_bits *from, uint32_t width)
{
    const uint32_t four = prewarp_u32(from->bytes + (from->place >> 3)) >> (from->place & 7u);
    from->place += width;
    return four & (((uint32_t)1 << width) - 1u);
}

/* Takes the next code: `width` bits in two's complement. Where the width is 0, so is the code. */
static inline int32_t prewarp_take_code(prewarp_bits *from, uint32_t width)
{
    const uint32_t half = (uint32_t)1 << width >> 1;
    return (int32_t)(prewarp_take(from, width) ^ half) - (int32_t)half;
}

/* Takes the width of the next run of codes; it is stored as a place in a table of widths. */
static inline uint32_t prewarp_take_width(prewarp_bits *from)
{
    static const unsigned char widths[1u << PREWARP_TERM_WIDTH_BITS] = PREWARP_TERM_WIDTHS;
    return widths[prewarp_take(from, PREWARP_TERM_WIDTH_BITS)];
}

/* Head of a row of codes. top: the highest i + j that has codes. choice: whether even j have codes, odd j or both. */
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

/* Number of codes that a row has for even j (odd = 0) or for odd j (odd = 1). */
static inline uint32_t prewarp_row_codes(prewarp_row row, uint32_t odd)
{
    const uint32_t only = odd ? PREWARP_TERMS_ODD : PREWARP_TERMS_EVEN;
    return row.choice == PREWARP_TERMS_BOTH || row.choice == only ? prewarp_terms_below(row.top + 1u, odd) : 0u;
}

#endif
