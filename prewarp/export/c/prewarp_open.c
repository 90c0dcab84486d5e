/* Checking a blob from untrusted bytes. Integers only: floats are judged by their bits. */
#include "prewarp_bits.h"

#include <string.h>

static uint32_t crc_32(uint32_t crc, const unsigned char *bytes, size_t size)
{
    static const uint32_t table[16] = {0x00000000u, 0x1DB71064u, 0x3B6E20C8u, 0x26D930ACu, 0x76DC4190u, 0x6B6B51F4u,
                                       0x4DB26158u, 0x5005713Cu, 0xEDB88320u, 0xF00F9344u, 0xD6D6A3E8u, 0xCB61B38Cu,
                                       0x9B64C2B0u, 0x86D3D2D4u, 0xA00AE278u, 0xBDBDF21Cu};
    crc = ~crc;
    for (; size > 0u; size--) {
        crc ^= *bytes++;
        crc = crc >> 4 ^ table[crc & 15u];
        crc = crc >> 4 ^ table[crc & 15u];
    }
    return ~crc;
}

/* |x| <= limit for the bits of two floats, limit positive; false for NaN and infinity. */
static int within(uint32_t bits, uint32_t limit_bits)
{
    return (bits & 0x7FFFFFFFu) <= limit_bits;
}

/* 0 <= x <= limit; -0 counts as 0. */
static int within_positive(uint32_t bits, uint32_t limit_bits)
{
    return bits <= limit_bits || bits == 0x80000000u;
}

/* Finite floats in the order of their values, both zeros alike. */
static int64_t ordered(uint32_t bits)
{
    int64_t size = (int64_t)(bits & 0x7FFFFFFFu);
    return bits >> 31 ? -size : size;
}

/* Whether a float is at most a whole number from 1 to 2^24; no for one with a sign. */
static int at_most(uint32_t bits, uint32_t whole)
{
    uint32_t exponent = bits >> 23, fraction = (bits & 0x7FFFFFu) | 0x800000u;
    if (exponent < 127u)
        return 1;
    if (exponent > 150u)
        return 0;
    return (uint64_t)fraction <= (uint64_t)whole << (150u - exponent);
}

static int all_zero(const unsigned char *bytes, uint32_t from, uint32_t to)
{
    while (from < to) {
        if (bytes[from++] != 0u)
            return 0;
    }
    return 1;
}

static uint64_t number_bytes(uint32_t format, uint64_t count)
{
    switch (format) {
    case PREWARP_INT8:
    case PREWARP_UINT8:
        return count;
    case PREWARP_INT12:
        return (count * 3u + 1u) / 2u;
    case PREWARP_INT16:
    case PREWARP_UINT16:
        return count * 2u;
    case PREWARP_FLOAT32:
        return count * 4u;
    default:
        return UINT64_MAX;
    }
}

static int is_signed(uint32_t format)
{
    return format == PREWARP_INT8 || format == PREWARP_INT12 || format == PREWARP_INT16;
}

static int is_unsigned(uint32_t format)
{
    return format == PREWARP_UINT8 || format == PREWARP_UINT16;
}

/* Every number of a block is one that its format may hold: no lowest code, no NaN, no infinity. */
static int numbers_are_good(const prewarp_block *block)
{
    uint32_t place, largest;
    if (block->format == PREWARP_FLOAT32) {
        for (place = 0; place < block->count; place++) {
            if ((prewarp_u32(block->numbers + (size_t)place * 4u) & 0x7F800000u) == 0x7F800000u)
                return 0;
        }
        return 1;
    }
    if (is_unsigned(block->format))
        return 1;
    largest = block->format == PREWARP_INT8 ? 127u : block->format == PREWARP_INT12 ? 2047u : 32767u;
    for (place = 0; place < block->count; place++) {
        if (prewarp_code(block, place) < -(int32_t)largest)
            return 0;
    }
    return 1;
}

/* Blocks lie one after another over the whole data: none twice, so that checking takes no longer than it is. */
static prewarp_status check_blocks(const prewarp_lookup *lookup, uint32_t data_bytes)
{
    uint32_t place, end = 0;
    for (place = 0; place < lookup->block_count; place++) {
        const unsigned char *record = prewarp_record(lookup, PREWARP_SECTION_BLOCKS, PREWARP_BLOCK_BYTES, place);
        uint32_t offset = prewarp_u32(record + PREWARP_BLOCK_OFFSET), count = prewarp_u32(record + PREWARP_BLOCK_COUNT);
        uint64_t size;
        prewarp_block block;
        if (count > PREWARP_MAX_NUMBERS || offset > data_bytes || offset != (end + 3u) / 4u * 4u)
            return PREWARP_REFUSED;
        size = number_bytes(prewarp_u16(record + PREWARP_BLOCK_FORMAT), count);
        if (size > data_bytes - offset)
            return PREWARP_REFUSED;
        end = offset + (uint32_t)size;
        if (!within_positive(prewarp_u32(record + PREWARP_BLOCK_SCALE), PREWARP_LARGEST_VALUE_BITS))
            return PREWARP_REFUSED;
        block = prewarp_block_at(lookup, place);
        if (!numbers_are_good(&block))
            return PREWARP_REFUSED;
    }
    return end == data_bytes ? PREWARP_OK : PREWARP_REFUSED;
}

/* low <= x <= high for the bits of floats, all positive */
static int between(uint32_t bits, uint32_t low_bits, uint32_t high_bits)
{
    return bits >= low_bits && bits <= high_bits;
}

static int codes_are(const prewarp_lookup *lookup, uint32_t link, uint32_t format, uint64_t count)
{
    prewarp_block block;
    if (link >= lookup->block_count)
        return 0;
    block = prewarp_block_at(lookup, link);
    return block.format == format && block.count == count && within_positive(block.scale_bits, 0x3F800000u);
}

/* centre and half size of a part of the pupil plane, one after the other */
static int frame_is_good(const unsigned char *frame)
{
    uint32_t axis;
    for (axis = 0; axis < 2u; axis++) {
        if (!within(prewarp_u32(frame + 4u * axis), PREWARP_LARGEST_PUPIL_MM_BITS) ||
            !between(prewarp_u32(frame + 8u + 4u * axis), PREWARP_LEAST_HALF_MM_BITS, PREWARP_LARGEST_PUPIL_MM_BITS))
            return 0;
    }
    return 1;
}

static int claims_are_good(const prewarp_lookup *lookup)
{
    const unsigned char *record = prewarp_record(lookup, PREWARP_SECTION_CLAIMS, PREWARP_CLAIMS_BYTES, 0);
    uint32_t columns, rows;
    if (lookup->claims_count == 0u)
        return 1;
    columns = prewarp_u16(record + PREWARP_CLAIMS_COLUMNS);
    rows = prewarp_u16(record + PREWARP_CLAIMS_ROWS);
    return columns >= PREWARP_MIN_CLAIM_COEFFICIENTS && columns <= PREWARP_MAX_CLAIM_COEFFICIENTS &&
           rows >= PREWARP_MIN_CLAIM_COEFFICIENTS && rows <= PREWARP_MAX_CLAIM_COEFFICIENTS &&
           within(prewarp_u32(record + PREWARP_CLAIMS_ORIGIN), PREWARP_LARGEST_DEG_BITS) &&
           within(prewarp_u32(record + PREWARP_CLAIMS_ORIGIN + 4u), PREWARP_LARGEST_DEG_BITS) &&
           between(prewarp_u32(record + PREWARP_CLAIMS_PITCH), PREWARP_LEAST_PITCH_DEG_BITS,
                   PREWARP_LARGEST_DEG_BITS) &&
           between(prewarp_u32(record + PREWARP_CLAIMS_LEAST), PREWARP_SMALLEST_CLAIM_BITS, 0x3F800000u) &&
           codes_are(lookup, prewarp_u16(record + PREWARP_CLAIMS_BLOCK), PREWARP_INT16,
                     (uint64_t)lookup->channel_count * columns * rows);
}

/* Terms of u, v, x0, y0 of a region. */
static uint32_t region_terms(uint32_t degree, uint32_t pupil_degree)
{
    uint32_t pupil, count = 0;
    for (pupil = 0; pupil <= pupil_degree; pupil++)
        count += (pupil + 1u) * prewarp_graded_count(degree - pupil);
    return count;
}

static int regions_are_good(const prewarp_lookup *lookup)
{
    uint32_t place;
    for (place = 0; place < lookup->region_count; place++) {
        const unsigned char *record = prewarp_record(lookup, PREWARP_SECTION_REGIONS, PREWARP_REGION_BYTES, place);
        uint32_t degree = prewarp_u16(record + PREWARP_REGION_DEGREE),
                 pupil_degree = prewarp_u16(record + PREWARP_REGION_PUPIL_DEGREE);
        if (degree > PREWARP_MAX_REGION_DEGREE || pupil_degree > degree ||
            !frame_is_good(record + PREWARP_REGION_CENTRE) ||
            !codes_are(lookup, prewarp_u16(record + PREWARP_REGION_BLOCK), PREWARP_INT16,
                       region_terms(degree, pupil_degree)))
            return 0;
    }
    return 1;
}

static int border_is_good(const prewarp_lookup *lookup, const unsigned char *map, uint32_t place)
{
    const unsigned char *record, *channel;
    uint32_t link = prewarp_u16(map + PREWARP_MAP_BORDER), block, axis, points;
    if (link == PREWARP_NONE)
        return lookup->border_count == 0u;
    if (link != place || link >= lookup->border_count)
        return 0;
    record = prewarp_record(lookup, PREWARP_SECTION_BORDERS, PREWARP_BORDER_BYTES, link);
    block = prewarp_u16(record + PREWARP_BORDER_BLOCK);
    if (block >= lookup->block_count || prewarp_block_at(lookup, block).format != PREWARP_UINT16 ||
        prewarp_block_at(lookup, block).count % 2u != 0u ||
        prewarp_u16(record + PREWARP_BORDER_REGION_COUNT) > PREWARP_MAX_REGIONS ||
        prewarp_u16(record + PREWARP_BORDER_FIRST_REGION) + prewarp_u16(record + PREWARP_BORDER_REGION_COUNT) >
            lookup->region_count)
        return 0;
    points = prewarp_block_at(lookup, block).count / 2u;
    channel = prewarp_channel_record(lookup, prewarp_u16(map + PREWARP_MAP_CHANNEL));
    for (axis = 0; axis < 2u; axis++) {
        uint32_t middle = prewarp_u32(record + PREWARP_BORDER_MIDDLE + 4u * axis);
        /* whole px at most 2^15: compared as floats are */
        if (middle != 0x80000000u && (middle >> 31 || !at_most(middle, prewarp_u32(channel + PREWARP_CHANNEL_PANEL_WIDTH +
                                                                                    4u * axis))))
            return 0;
    }
    return points >= 3u && points <= PREWARP_MAX_BORDER_POINTS;
}

static int gain_is_good(const prewarp_lookup *lookup, const unsigned char *map)
{
    const unsigned char *record;
    uint32_t link = prewarp_u16(map + PREWARP_MAP_GAIN), panel_degree, pupil_degree;
    if (link == PREWARP_NONE)
        return 1;
    if (link >= lookup->gain_count)
        return 0;
    record = prewarp_record(lookup, PREWARP_SECTION_GAINS, PREWARP_GAIN_BYTES, link);
    panel_degree = prewarp_u16(record + PREWARP_GAIN_PANEL_DEGREE);
    pupil_degree = prewarp_u16(record + PREWARP_GAIN_PUPIL_DEGREE);
    return panel_degree <= PREWARP_MAX_GAIN_DEGREE && pupil_degree <= PREWARP_MAX_PUPIL_DEGREE &&
           frame_is_good(record + PREWARP_GAIN_CENTRE) &&
           within_positive(prewarp_u32(record + PREWARP_GAIN_ERROR), PREWARP_LARGEST_VALUE_BITS) &&
           codes_are(lookup, prewarp_u16(record + PREWARP_GAIN_BLOCK), PREWARP_INT16,
                     (uint64_t)prewarp_graded_count(panel_degree) * prewarp_graded_count(pupil_degree));
}

/* `count` codes in runs: none beyond the bit `end`, no lowest code of a width. */
static int codes_are_good(prewarp_bits *bits, size_t end, uint32_t count)
{
    uint32_t from, place;
    for (from = 0; from < count; from += PREWARP_TERM_RUN) {
        const uint32_t here = count - from < PREWARP_TERM_RUN ? count - from : PREWARP_TERM_RUN;
        uint32_t width;
        if (end - bits->place < PREWARP_TERM_WIDTH_BITS)
            return 0;
        width = prewarp_take_width(bits);
        if (end - bits->place < (size_t)width * here)
            return 0;
        for (place = 0; width > 0u && place < here; place++) {
            if (prewarp_take_code(bits, width) == -((int32_t)1 << (width - 1u)))
                return 0;
        }
    }
    return 1;
}

static int chebyshev_is_good(const prewarp_lookup *lookup, const unsigned char *record, uint32_t columns, uint32_t rows)
{
    const uint32_t count = prewarp_u16(record + PREWARP_MAP_BLOCK_COUNT), modes = prewarp_u16(record + PREWARP_MAP_MODES);
    prewarp_block block;
    prewarp_bits bits = {NULL, 0};
    uint32_t row;
    size_t end;
    if (columns < 1u || columns != rows || columns > PREWARP_MAX_PANEL_DEGREE + 1u || count > 1u ||
        modes != prewarp_function_count(prewarp_u16(record + PREWARP_MAP_PUPIL_DEGREE)))
        return 0;
    if (count == 0u)
        return 1;
    block = prewarp_block_at(lookup, prewarp_u16(record + PREWARP_MAP_FIRST_BLOCK));
    if (block.format != PREWARP_UINT8 || block.count <= PREWARP_TERM_ZEROS ||
        !within_positive(block.scale_bits, PREWARP_LARGEST_TANGENT_BITS))
        return 0;
    bits.bytes = block.numbers;
    end = ((size_t)block.count - PREWARP_TERM_ZEROS) * 8u;
    for (row = 0; row < 2u * modes; row++) {
        prewarp_row head;
        if (bits.place == end)
            return 0;
        if (!prewarp_take(&bits, 1))
            continue;
        if (end - bits.place < PREWARP_TERM_DEGREE_BITS + PREWARP_TERM_CHOICE_BITS)
            return 0;
        head = prewarp_take_row(&bits);
        if (head.top >= columns || head.choice > PREWARP_TERMS_BOTH ||
            !codes_are_good(&bits, end, prewarp_row_codes(head, 0)) ||
            !codes_are_good(&bits, end, prewarp_row_codes(head, 1)))
            return 0;
    }
    /* What is left is less than a byte, and zeros. */
    return end - bits.place < 8u && prewarp_take(&bits, (uint32_t)(end - bits.place)) == 0u &&
           all_zero(block.numbers, block.count - PREWARP_TERM_ZEROS, block.count);
}

static int modes_are_good(const prewarp_lookup *lookup, const unsigned char *record, uint32_t columns, uint32_t rows)
{
    uint32_t first = prewarp_u16(record + PREWARP_MAP_FIRST_BLOCK), modes = prewarp_u16(record + PREWARP_MAP_MODES),
             place;
    const uint32_t least = PREWARP_MIN_SPLINE_COEFFICIENTS;
    prewarp_block weights;
    if (columns < least || columns > PREWARP_MAX_COEFFICIENTS || rows < least || rows > PREWARP_MAX_COEFFICIENTS ||
        modes < 1u || modes > PREWARP_MAX_MODES || prewarp_u16(record + PREWARP_MAP_BLOCK_COUNT) != modes + 1u)
        return 0;
    weights = prewarp_block_at(lookup, first);
    if (weights.format != PREWARP_FLOAT32 ||
        weights.count != modes * prewarp_function_count(prewarp_u16(record + PREWARP_MAP_PUPIL_DEGREE)))
        return 0;
    for (place = 0; place < weights.count; place++) {
        if (!within(prewarp_u32(weights.numbers + (size_t)place * 4u), PREWARP_LARGEST_WEIGHT_BITS))
            return 0;
    }
    for (place = 1; place <= modes; place++) {
        prewarp_block block = prewarp_block_at(lookup, first + place);
        if (!is_signed(block.format) || block.count != columns * rows * 2u ||
            !within_positive(block.scale_bits, PREWARP_LARGEST_TANGENT_BITS))
            return 0;
    }
    return 1;
}

static int base_is_good(const prewarp_lookup *lookup, const unsigned char *record, uint32_t place)
{
    uint32_t base = prewarp_u16(record + PREWARP_MAP_BASE);
    const unsigned char *other;
    if (base == PREWARP_NONE)
        return 1;
    if (base >= place)
        return 0;
    other = prewarp_map_record(lookup, base);
    return prewarp_u16(other + PREWARP_MAP_BASE) == PREWARP_NONE &&
           prewarp_u16(other + PREWARP_MAP_CHANNEL) == prewarp_u16(record + PREWARP_MAP_CHANNEL);
}

static prewarp_status check_maps(const prewarp_lookup *lookup)
{
    uint32_t place, entry;
    for (place = 0; place < lookup->map_count; place++) {
        const unsigned char *record = prewarp_map_record(lookup, place);
        uint32_t family = prewarp_u16(record + PREWARP_MAP_FAMILY);
        uint32_t columns = prewarp_u16(record + PREWARP_MAP_COLUMNS), rows = prewarp_u16(record + PREWARP_MAP_ROWS),
                 other;
        int good;
        if (prewarp_u16(record + PREWARP_MAP_CHANNEL) >= lookup->channel_count ||
            prewarp_u16(record + PREWARP_MAP_COLOUR) >= lookup->colour_count || family < 1u || family > 2u ||
            prewarp_u16(record + PREWARP_MAP_PUPIL_DEGREE) > PREWARP_MAX_PUPIL_DEGREE ||
            prewarp_u16(record + PREWARP_MAP_FIRST_BLOCK) + prewarp_u16(record + PREWARP_MAP_BLOCK_COUNT) >
                lookup->block_count ||
            !within_positive(prewarp_u32(record + PREWARP_MAP_ERROR_PX), PREWARP_LARGEST_VALUE_BITS) ||
            !gain_is_good(lookup, record) || !border_is_good(lookup, record, place) || !base_is_good(lookup, record, place))
            return PREWARP_REFUSED;
        for (entry = 0; entry < 6u; entry++) {
            if (!within(prewarp_u32(record + PREWARP_MAP_AFFINE + 4u * entry), PREWARP_LARGEST_TANGENT_BITS))
                return PREWARP_REFUSED;
        }
        for (other = 0; other < place; other++) {
            const unsigned char *earlier = prewarp_map_record(lookup, other);
            if (prewarp_u32(earlier + PREWARP_MAP_CHANNEL) == prewarp_u32(record + PREWARP_MAP_CHANNEL))
                return PREWARP_REFUSED; /* channel and colour, side by side: the same map twice */
        }
        if (family == PREWARP_FAMILY_CHEBYSHEV)
            good = chebyshev_is_good(lookup, record, columns, rows);
        else
            good = modes_are_good(lookup, record, columns, rows);
        if (!good)
            return PREWARP_REFUSED;
    }
    return PREWARP_OK;
}

/* Bytes of the UTF-8 character that begins here (RFC 3629, table 3-7 of the Unicode standard), 0 where none does. */
static uint32_t character_bytes(const unsigned char *text, uint32_t room)
{
    uint32_t first = text[0], count, place, low = 0x80u, high = 0xBFu;
    if (first < 0x80u)
        return 1u;
    if (first < 0xC2u || first > 0xF4u)
        return 0u;
    count = first < 0xE0u ? 2u : first < 0xF0u ? 3u : 4u;
    if (first == 0xE0u)
        low = 0xA0u; /* shorter forms */
    else if (first == 0xEDu)
        high = 0x9Fu; /* surrogates */
    else if (first == 0xF0u)
        low = 0x90u;
    else if (first == 0xF4u)
        high = 0x8Fu; /* beyond the last character */
    for (place = 1; place < count; place++, low = 0x80u, high = 0xBFu) {
        if (place >= room || text[place] < low || text[place] > high)
            return 0u;
    }
    return count;
}

/* Names are UTF-8, not empty, filled with zeros, no two alike. */
static int names_are_good(const prewarp_lookup *lookup, uint32_t section, uint32_t bytes, uint32_t entry, uint32_t count)
{
    uint32_t place, other, used, step;
    for (place = 0; place < count; place++) {
        const unsigned char *name = prewarp_record(lookup, section, bytes, place) + entry;
        for (used = 0; used < PREWARP_STORED_NAME_BYTES && name[used] != 0u; used += step) {
            step = character_bytes(name + used, PREWARP_STORED_NAME_BYTES - used);
            if (step == 0u)
                return 0;
        }
        if (used == 0u || !all_zero(name, used, PREWARP_STORED_NAME_BYTES))
            return 0;
        for (other = 0; other < place; other++) {
            if (memcmp(name, prewarp_record(lookup, section, bytes, other) + entry, PREWARP_STORED_NAME_BYTES) == 0)
                return 0;
        }
    }
    return 1;
}

static int is_picture(uint32_t width, uint32_t height)
{
    return width >= 16u && width <= 32768u && height >= 16u && height <= 32768u;
}

/* The content picture: none, or one of a size, with a focal length that makes its field neither a point nor all around:
 * half its width is at most 6 (a tangent) or 3 (radians) focal lengths, at least 1/116 of one. */
static int content_is_good(const unsigned char *record)
{
    const uint32_t kind = prewarp_u32(record + PREWARP_DISPLAY_CONTENT_KIND);
    const uint32_t focal = prewarp_u32(record + PREWARP_DISPLAY_CONTENT_FOCAL);
    const uint32_t width = prewarp_u32(record + PREWARP_DISPLAY_CONTENT_SIZE);
    if (kind == 0u)
        return 1;
    return (kind == 1u || kind == 2u) && is_picture(width, prewarp_u32(record + PREWARP_DISPLAY_CONTENT_SIZE + 4u)) &&
           at_most(focal, 58u * width) && !at_most(focal, (width - 1u) / (kind == 1u ? 12u : 6u));
}

static prewarp_status check_display(const prewarp_lookup *lookup)
{
    const unsigned char *record = prewarp_record(lookup, PREWARP_SECTION_DISPLAY, PREWARP_DISPLAY_BYTES, 0);
    uint32_t axis, place;
    for (axis = 0; axis < 3u; axis++) {
        uint32_t low = prewarp_u32(record + PREWARP_DISPLAY_PUPIL_LOW + 4u * axis);
        uint32_t high = prewarp_u32(record + PREWARP_DISPLAY_PUPIL_HIGH + 4u * axis);
        if (!within(low, PREWARP_LARGEST_PUPIL_MM_BITS) || !within(high, PREWARP_LARGEST_PUPIL_MM_BITS) ||
            ordered(low) > ordered(high))
            return PREWARP_REFUSED;
    }
    if (!within_positive(prewarp_u32(record + PREWARP_DISPLAY_ERROR_PX), PREWARP_LARGEST_VALUE_BITS) ||
        !content_is_good(record))
        return PREWARP_REFUSED;
    for (place = 0; place < lookup->channel_count; place++) {
        const unsigned char *channel = prewarp_channel_record(lookup, place);
        if (!is_picture(prewarp_u32(channel + PREWARP_CHANNEL_PANEL_WIDTH),
                        prewarp_u32(channel + PREWARP_CHANNEL_PANEL_HEIGHT)))
            return PREWARP_REFUSED;
    }
    if (!names_are_good(lookup, PREWARP_SECTION_CHANNELS, PREWARP_CHANNEL_BYTES, PREWARP_CHANNEL_NAME,
                        lookup->channel_count) ||
        !names_are_good(lookup, PREWARP_SECTION_COLOURS, PREWARP_COLOUR_BYTES, PREWARP_COLOUR_NAME,
                        lookup->colour_count))
        return PREWARP_REFUSED;
    return PREWARP_OK;
}

/* Finds the sections and holds their checksums; sizes[] gets their lengths. */
static prewarp_status find_sections(prewarp_lookup *lookup, uint32_t sizes[PREWARP_SECTION_COUNT])
{
    const unsigned char *bytes = lookup->bytes;
    const uint32_t table_end = PREWARP_HEADER_BYTES + PREWARP_SECTION_BYTES * PREWARP_SECTION_COUNT;
    static const unsigned char zeros[4] = {0, 0, 0, 0};
    uint32_t place, end = table_end, crc;
    crc = crc_32(0, bytes, PREWARP_HEADER_CRC);
    crc = crc_32(crc, zeros, 4);
    crc = crc_32(crc, bytes + PREWARP_HEADER_CRC + 4u, table_end - PREWARP_HEADER_CRC - 4u);
    if (crc != prewarp_u32(bytes + PREWARP_HEADER_CRC))
        return PREWARP_DAMAGED;
    for (place = 0; place < PREWARP_SECTION_COUNT; place++) {
        const unsigned char *record = bytes + PREWARP_HEADER_BYTES + PREWARP_SECTION_BYTES * place;
        uint32_t offset = prewarp_u32(record + PREWARP_SECTION_OFFSET),
                 size = prewarp_u32(record + PREWARP_SECTION_SIZE);
        uint32_t wanted = (end + PREWARP_ALIGNMENT - 1u) / PREWARP_ALIGNMENT * PREWARP_ALIGNMENT;
        if (prewarp_u32(record + PREWARP_SECTION_KIND) != place + 1u || offset != wanted || offset > lookup->size ||
            size > lookup->size - offset)
            return PREWARP_REFUSED;
        if (!all_zero(bytes, end, offset))
            return PREWARP_REFUSED;
        if (crc_32(0, bytes + offset, size) != prewarp_u32(record + PREWARP_SECTION_CRC))
            return PREWARP_DAMAGED;
        lookup->offset[place] = offset;
        sizes[place] = size;
        end = offset + size;
    }
    if ((end + PREWARP_ALIGNMENT - 1u) / PREWARP_ALIGNMENT * PREWARP_ALIGNMENT != lookup->size ||
        !all_zero(bytes, end, lookup->size))
        return PREWARP_REFUSED;
    return PREWARP_OK;
}

/* Number of whole records of a section, or `most` + 1 where that is not a whole number or too many. */
static uint32_t record_count(uint32_t size, uint32_t record_bytes, uint32_t most)
{
    if (size % record_bytes != 0u || size / record_bytes > most)
        return most + 1u;
    return size / record_bytes;
}

/* Every block and gain belongs to something, in the order in which they are written; borders may share theirs. */
static int owners_are_good(const prewarp_lookup *lookup)
{
    uint32_t taken = 0, region = 0, gain = 0, place, other, count;
    for (place = 0; place < lookup->map_count; place++) {
        const unsigned char *record = prewarp_map_record(lookup, place);
        const uint32_t link = prewarp_u16(record + PREWARP_MAP_GAIN);
        if (prewarp_u16(record + PREWARP_MAP_FIRST_BLOCK) != taken || (link != PREWARP_NONE && link != gain++))
            return 0;
        taken += prewarp_u16(record + PREWARP_MAP_BLOCK_COUNT);
    }
    if (lookup->claims_count > 0u &&
        prewarp_u16(prewarp_record(lookup, PREWARP_SECTION_CLAIMS, PREWARP_CLAIMS_BYTES, 0) + PREWARP_CLAIMS_BLOCK) != taken++)
        return 0;
    for (place = 0; place < lookup->border_count; place++) {
        const unsigned char *record = prewarp_record(lookup, PREWARP_SECTION_BORDERS, PREWARP_BORDER_BYTES, place);
        uint32_t block = prewarp_u16(record + PREWARP_BORDER_BLOCK);
        for (other = 0; other < place; other++) {
            if (prewarp_u16(prewarp_record(lookup, PREWARP_SECTION_BORDERS, PREWARP_BORDER_BYTES, other) +
                            PREWARP_BORDER_BLOCK) == block)
                break;
        }
        if ((other == place && block != taken++) || prewarp_u16(record + PREWARP_BORDER_FIRST_REGION) != region)
            return 0;
        for (count = prewarp_u16(record + PREWARP_BORDER_REGION_COUNT); count > 0u; count--, region++) {
            if (prewarp_u16(prewarp_record(lookup, PREWARP_SECTION_REGIONS, PREWARP_REGION_BYTES, region) +
                            PREWARP_REGION_BLOCK) != taken++)
                return 0;
        }
    }
    for (place = 0; place < lookup->gain_count; place++) {
        if (prewarp_u16(prewarp_record(lookup, PREWARP_SECTION_GAINS, PREWARP_GAIN_BYTES, place) + PREWARP_GAIN_BLOCK) !=
            taken++)
            return 0;
    }
    return region == lookup->region_count && gain == lookup->gain_count && taken == lookup->block_count;
}

prewarp_status prewarp_open(prewarp_lookup *lookup, const void *bytes, size_t size)
{
    const unsigned char *blob = bytes;
    const uint32_t maps = PREWARP_MAX_CHANNELS * PREWARP_MAX_COLOURS;
    uint32_t sizes[PREWARP_SECTION_COUNT] = {0};
    prewarp_status status;
    memset(lookup, 0, sizeof *lookup);
    if (blob == NULL || size < PREWARP_HEADER_BYTES + PREWARP_SECTION_BYTES * PREWARP_SECTION_COUNT ||
        size > PREWARP_MAX_BLOB_BYTES)
        return PREWARP_NOT_A_BLOB;
    if (memcmp(blob, PREWARP_MAGIC, 8) != 0 || prewarp_u16(blob + PREWARP_HEADER_VERSION) != PREWARP_VERSION ||
        prewarp_u16(blob + PREWARP_HEADER_SECTION_COUNT) != PREWARP_SECTION_COUNT ||
        prewarp_u32(blob + PREWARP_HEADER_TOTAL_BYTES) != (uint32_t)size)
        return PREWARP_NOT_A_BLOB;
    lookup->bytes = blob;
    lookup->size = (uint32_t)size;
    status = find_sections(lookup, sizes);
    if (status != PREWARP_OK)
        return status;
    lookup->channel_count = record_count(sizes[PREWARP_SECTION_CHANNELS], PREWARP_CHANNEL_BYTES, PREWARP_MAX_CHANNELS);
    lookup->colour_count = record_count(sizes[PREWARP_SECTION_COLOURS], PREWARP_COLOUR_BYTES, PREWARP_MAX_COLOURS);
    lookup->map_count = record_count(sizes[PREWARP_SECTION_MAPS], PREWARP_MAP_BYTES, maps);
    lookup->block_count = record_count(sizes[PREWARP_SECTION_BLOCKS], PREWARP_BLOCK_BYTES, PREWARP_NONE);
    lookup->claims_count = record_count(sizes[PREWARP_SECTION_CLAIMS], PREWARP_CLAIMS_BYTES, 1u);
    lookup->border_count = record_count(sizes[PREWARP_SECTION_BORDERS], PREWARP_BORDER_BYTES, maps);
    lookup->region_count = record_count(sizes[PREWARP_SECTION_REGIONS], PREWARP_REGION_BYTES, maps * PREWARP_MAX_REGIONS);
    lookup->gain_count = record_count(sizes[PREWARP_SECTION_GAINS], PREWARP_GAIN_BYTES, maps);
    if (sizes[PREWARP_SECTION_DISPLAY] != PREWARP_DISPLAY_BYTES || lookup->channel_count < 1u ||
        lookup->channel_count > PREWARP_MAX_CHANNELS || lookup->colour_count < 1u ||
        lookup->colour_count > PREWARP_MAX_COLOURS || lookup->map_count < 1u || lookup->map_count > maps ||
        lookup->block_count > PREWARP_NONE || lookup->claims_count > 1u || lookup->border_count > maps ||
        (lookup->border_count != 0u && lookup->border_count != lookup->map_count) ||
        lookup->region_count > maps * PREWARP_MAX_REGIONS || lookup->gain_count > lookup->map_count)
        return PREWARP_REFUSED;
    status = check_blocks(lookup, sizes[PREWARP_SECTION_DATA]);
    if (status == PREWARP_OK)
        status = check_display(lookup);
    if (status == PREWARP_OK && !(claims_are_good(lookup) && regions_are_good(lookup)))
        status = PREWARP_REFUSED;
    if (status == PREWARP_OK)
        status = check_maps(lookup);
    if (status == PREWARP_OK && !owners_are_good(lookup))
        status = PREWARP_REFUSED;
    return status;
}

prewarp_status prewarp_find_map(const prewarp_lookup *lookup, uint32_t channel, uint32_t colour, uint32_t *map)
{
    uint32_t place;
    for (place = 0; place < lookup->map_count; place++) {
        const unsigned char *record = prewarp_map_record(lookup, place);
        if (prewarp_u16(record + PREWARP_MAP_CHANNEL) == channel &&
            prewarp_u16(record + PREWARP_MAP_COLOUR) == colour) {
            *map = place;
            return PREWARP_OK;
        }
    }
    return PREWARP_NO_SUCH;
}

uint32_t prewarp_base_of(const prewarp_lookup *lookup, uint32_t map)
{
    return map < lookup->map_count ? prewarp_u16(prewarp_map_record(lookup, map) + PREWARP_MAP_BASE) : PREWARP_NONE;
}

size_t prewarp_coefficient_count(const prewarp_lookup *lookup, uint32_t map)
{
    const unsigned char *record;
    size_t columns;
    if (map >= lookup->map_count)
        return 0;
    record = prewarp_map_record(lookup, map);
    columns = prewarp_u16(record + PREWARP_MAP_COLUMNS);
    if (prewarp_u16(record + PREWARP_MAP_FAMILY) == PREWARP_FAMILY_CHEBYSHEV)
        return 2u * (size_t)prewarp_graded_count((uint32_t)columns - 1u) + PREWARP_ADDED_BY - 1u;
    return columns * prewarp_u16(record + PREWARP_MAP_ROWS) * 2u;
}
