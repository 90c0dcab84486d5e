/* Reading the codes of Chebyshev terms: whole numbers of any width, lowest bit first, group by group. */
#ifndef PREWARP_BITS_H
#define PREWARP_BITS_H

#include "prewarp_bytes.h"

/* `held` bits that were taken out of the bytes before `next`; `beyond`: more were asked for than there are. */
typedef struct {
    const unsigned char *next, *end;
    uint64_t bits;
    uint32_t held;
    int beyond;
} prewarp_bits;

static inline prewarp_bits prewarp_bits_of(const prewarp_block *block)
{
    prewarp_bits bits;
    bits.next = block->numbers;
    bits.end = block->numbers + block->count;
    bits.bits = 0;
    bits.held = 0;
    bits.beyond = 0;
    return bits;
}

static inline uint32_t prewarp_take(prewarp_bits *from, uint32_t width) /* at most 25; zeros beyond the end */
{
    uint32_t value;
    if (from->held < width) {
        if (from->end - from->next >= 4) {
            from->bits |= (uint64_t)prewarp_u32(from->next) << from->held;
            from->next += 4;
            from->held += 32u;
        } else {
            for (; from->held < width; from->held += 8u) {
                if (from->next < from->end)
                    from->bits |= (uint64_t)*from->next++ << from->held;
                else
                    from->beyond = 1;
            }
        }
    }
    value = (uint32_t)from->bits & (((uint32_t)1 << width) - 1u);
    from->bits >>= width;
    from->held -= width;
    return value;
}

/* A code of a width of two or more: two's complement. */
static inline int32_t prewarp_take_code(prewarp_bits *from, uint32_t width)
{
    const uint32_t half = (uint32_t)1 << (width - 1u);
    return (int32_t)(prewarp_take(from, width) ^ half) - (int32_t)half;
}

/* What is left is less than a byte, and zeros. */
static inline int prewarp_bits_end(const prewarp_bits *from)
{
    return !from->beyond && from->next == from->end && from->held < 8u && from->bits == 0u;
}

/* The groups of a row that has codes: those at `place`, `place` + `step` .. up to `last` have `width` bits, 0: all are 0.
 * Before the first group all that counts is `top`, the highest degree. */
typedef struct {
    uint32_t top, place, last, step, width;
    uint32_t degree, start, part, first, parts;
} prewarp_groups;

static inline prewarp_groups prewarp_groups_of(prewarp_bits *from)
{
    prewarp_groups groups = {0, 0, 0, 0, 0, 0, 0, 0, 0, 0};
    uint32_t choice;
    groups.top = prewarp_take(from, PREWARP_TERM_DEGREE_BITS);
    choice = prewarp_take(from, PREWARP_TERM_CHOICE_BITS);
    groups.step = choice == PREWARP_TERMS_TOGETHER ? 1u : 2u;
    groups.first = choice == PREWARP_TERMS_ODD ? 1u : 0u;
    groups.parts = choice == PREWARP_TERMS_APART ? 2u : 1u;
    return groups;
}

/* Goes to the next group; 0: there is none. */
static inline int prewarp_next_group(prewarp_groups *groups, prewarp_bits *from)
{
    static const unsigned char widths[1u << PREWARP_TERM_WIDTH_BITS] = PREWARP_TERM_WIDTHS;
    for (;;) {
        if (groups->part == groups->parts) {
            groups->part = 0;
            groups->degree++;
            groups->start += groups->degree;
        }
        if (groups->degree > groups->top)
            return 0;
        groups->place = groups->start + groups->first + groups->part++;
        groups->last = groups->start + groups->degree;
        if (groups->place <= groups->last) /* degree 0 has no odd j */
            break;
    }
    groups->width = widths[prewarp_take(from, PREWARP_TERM_WIDTH_BITS)];
    return 1;
}

#endif
