/* Checking a blob from untrusted bytes. Integers only: floats are judged by their bits. */
#include "pw_bytes.h"

#include <string.h>

static uint32_t crc_32(uint32_t crc, const unsigned char *bytes, size_t size)
{
    static const uint32_t table[16] = {
        0x00000000u, 0x1DB71064u, 0x3B6E20C8u, 0x26D930ACu, 0x76DC4190u, 0x6B6B51F4u, 0x4DB26158u, 0x5005713Cu,
        0xEDB88320u, 0xF00F9344u, 0xD6D6A3E8u, 0xCB61B38Cu, 0x9B64C2B0u, 0x86D3D2D4u, 0xA00AE278u, 0xBDBDF21Cu};
    crc = ~crc;
    while (size-- > 0u) {
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
    case PW_INT8:
    case PW_UINT8:
        return count;
    case PW_INT12:
        return (count * 3u + 1u) / 2u;
    case PW_INT16:
    case PW_UINT16:
    case PW_HALF:
        return count * 2u;
    case PW_INT32:
    case PW_FLOAT32:
        return count * 4u;
    default:
        return UINT64_MAX;
    }
}

static int is_signed(uint32_t format)
{
    return format == PW_INT8 || format == PW_INT12 || format == PW_INT16 || format == PW_INT32;
}

static int is_unsigned(uint32_t format)
{
    return format == PW_UINT8 || format == PW_UINT16;
}

/* Every number of a block is one that its format may hold: no lowest code, no NaN, no infinity. */
static int numbers_are_good(const pw_block *block)
{
    uint32_t place, largest;
    if (block->format == PW_FLOAT32) {
        for (place = 0; place < block->count; place++) {
            if ((pw_u32(block->numbers + (size_t)place * 4u) & 0x7F800000u) == 0x7F800000u)
                return 0;
        }
        return 1;
    }
    if (block->format == PW_HALF) {
        for (place = 0; place < block->count; place++) {
            if ((pw_u16(block->numbers + (size_t)place * 2u) & 0x7C00u) == 0x7C00u)
                return 0;
        }
        return 1;
    }
    if (is_unsigned(block->format))
        return 1;
    largest = block->format == PW_INT8 ? 127u : block->format == PW_INT12 ? 2047u : 32767u;
    if (block->format == PW_INT32)
        largest = (1u << 24) - 1u;
    for (place = 0; place < block->count; place++) {
        int32_t code = pw_code(block, place);
        if (code > (int32_t)largest || code < -(int32_t)largest)
            return 0;
    }
    return 1;
}

static pw_status check_blocks(const pw_lookup *lookup, uint32_t data_bytes)
{
    uint32_t place;
    for (place = 0; place < lookup->block_count; place++) {
        const unsigned char *record = pw_record(lookup, PW_SECTION_BLOCKS, PW_BLOCK_BYTES, place);
        uint32_t offset = pw_u32(record + PW_BLOCK_OFFSET), count = pw_u32(record + PW_BLOCK_COUNT);
        uint64_t size;
        pw_block block;
        if (count > PW_MAX_NUMBERS || offset % 4u != 0u || offset > data_bytes)
            return PW_REFUSED;
        size = number_bytes(pw_u16(record + PW_BLOCK_FORMAT), count);
        if (size > data_bytes - offset)
            return PW_REFUSED;
        if (!within_positive(pw_u32(record + PW_BLOCK_SCALE), PW_LARGEST_VALUE_BITS))
            return PW_REFUSED;
        block = pw_block_at(lookup, place);
        if (!numbers_are_good(&block))
            return PW_REFUSED;
    }
    return PW_OK;
}

static pw_status check_surfaces(const pw_lookup *lookup)
{
    uint32_t place, axis;
    for (place = 0; place < lookup->surface_count; place++) {
        const unsigned char *record = pw_surface_record(lookup, place);
        uint32_t kind = pw_u16(record + PW_SURFACE_KIND), link = pw_u16(record + PW_SURFACE_BLOCK);
        uint32_t columns = pw_u16(record + PW_SURFACE_COLUMNS), rows = pw_u16(record + PW_SURFACE_ROWS);
        pw_block block;
        if (kind < 1u || kind > 2u || columns < 2u || columns > PW_MAX_COEFFICIENTS || rows < 2u ||
            rows > PW_MAX_COEFFICIENTS || link >= lookup->block_count)
            return PW_REFUSED;
        for (axis = 0; axis < 2u; axis++) {
            uint32_t low = pw_u32(record + PW_SURFACE_LOW + 4u * axis);
            uint32_t high = pw_u32(record + PW_SURFACE_HIGH + 4u * axis);
            if (!within(low, PW_LARGEST_VALUE_BITS) || !within(high, PW_LARGEST_VALUE_BITS) ||
                ordered(low) >= ordered(high))
                return PW_REFUSED;
        }
        if (!within(pw_u32(record + PW_SURFACE_OFFSET), PW_LARGEST_VALUE_BITS) ||
            !within_positive(pw_u32(record + PW_SURFACE_ERROR), PW_LARGEST_VALUE_BITS))
            return PW_REFUSED;
        block = pw_block_at(lookup, link);
        if (!is_unsigned(block.format) || block.count != columns * rows)
            return PW_REFUSED;
    }
    return PW_OK;
}

/* A link to a surface of a kind, or none. */
static int good_link(const pw_lookup *lookup, uint32_t link, uint32_t kind)
{
    if (link == PW_NONE)
        return 1;
    return link < lookup->surface_count && pw_u16(pw_surface_record(lookup, link) + PW_SURFACE_KIND) == kind;
}

static int chebyshev_is_good(const pw_lookup *lookup, const unsigned char *record, uint32_t columns, uint32_t rows)
{
    uint32_t first = pw_u16(record + PW_MAP_FIRST_BLOCK), count = pw_u16(record + PW_MAP_BLOCK_COUNT);
    uint32_t modes = pw_u16(record + PW_MAP_MODES), start, place, scale_bits = 0;
    if (columns < 1u || columns != rows || columns > PW_MAX_PANEL_DEGREE + 1u || count % 3u != 0u || count > 12u ||
        modes != pw_function_count(pw_u16(record + PW_MAP_PUPIL_DEGREE)))
        return 0;
    for (start = 0; start < count; start += 3u) {
        pw_block counts = pw_block_at(lookup, first + start), places = pw_block_at(lookup, first + start + 1u);
        pw_block codes = pw_block_at(lookup, first + start + 2u);
        uint64_t total = 0;
        if (!is_unsigned(counts.format) || places.format != counts.format || !is_signed(codes.format) ||
            counts.count != 2u * modes || codes.count != places.count)
            return 0;
        if (start == 0u)
            scale_bits = codes.scale_bits;
        if (codes.scale_bits != scale_bits || !within_positive(scale_bits, PW_LARGEST_TANGENT_BITS))
            return 0;
        for (place = 0; place < counts.count; place++)
            total += (uint64_t)pw_code(&counts, place);
        if (total != places.count)
            return 0;
        for (place = 0; place < places.count; place++) {
            if ((uint32_t)pw_code(&places, place) >= pw_graded_count(columns - 1u))
                return 0;
        }
    }
    return 1;
}

static int modes_are_good(const pw_lookup *lookup, const unsigned char *record, uint32_t columns, uint32_t rows)
{
    uint32_t first = pw_u16(record + PW_MAP_FIRST_BLOCK), modes = pw_u16(record + PW_MAP_MODES), place;
    uint32_t least = pw_u16(record + PW_MAP_FAMILY) == PW_FAMILY_SPLINE ? PW_MIN_SPLINE_COEFFICIENTS : 2u;
    pw_block weights;
    if (columns < least || columns > PW_MAX_COEFFICIENTS || rows < least || rows > PW_MAX_COEFFICIENTS ||
        modes < 1u || modes > PW_MAX_MODES || pw_u16(record + PW_MAP_BLOCK_COUNT) != modes + 1u)
        return 0;
    weights = pw_block_at(lookup, first);
    if (weights.format != PW_FLOAT32 ||
        weights.count != modes * pw_function_count(pw_u16(record + PW_MAP_PUPIL_DEGREE)))
        return 0;
    for (place = 0; place < weights.count; place++) {
        if (!within(pw_u32(weights.numbers + (size_t)place * 4u), PW_LARGEST_WEIGHT_BITS))
            return 0;
    }
    for (place = 1; place <= modes; place++) {
        pw_block block = pw_block_at(lookup, first + place);
        if (!is_signed(block.format) || block.format == PW_INT32 || block.count != columns * rows * 2u ||
            !within_positive(block.scale_bits, PW_LARGEST_TANGENT_BITS))
            return 0;
    }
    return 1;
}

static int lattice_is_good(const pw_lookup *lookup, const unsigned char *record, uint32_t columns, uint32_t rows)
{
    uint32_t axis, pupils = 1;
    pw_block block;
    if (columns < 2u || columns > PW_MAX_COEFFICIENTS || rows < 2u || rows > PW_MAX_COEFFICIENTS ||
        pw_u16(record + PW_MAP_BLOCK_COUNT) != 1u)
        return 0;
    for (axis = 0; axis < 3u; axis++) {
        uint32_t count = pw_u16(record + PW_MAP_PUPIL_COUNTS + 2u * axis);
        if (count < 1u || count > PW_MAX_PUPIL_NODES)
            return 0;
        pupils *= count;
    }
    block = pw_block_at(lookup, pw_u16(record + PW_MAP_FIRST_BLOCK));
    return pw_u16(record + PW_MAP_MODES) == pupils && (block.format == PW_HALF || block.format == PW_INT16) &&
           block.count == (uint64_t)pupils * columns * rows * 2u &&
           within_positive(block.scale_bits, PW_LARGEST_TANGENT_BITS);
}

static int base_is_good(const pw_lookup *lookup, const unsigned char *record, uint32_t place)
{
    uint32_t base = pw_u16(record + PW_MAP_BASE);
    const unsigned char *other;
    if (base == PW_NONE)
        return 1;
    if (base >= place)
        return 0;
    other = pw_map_record(lookup, base);
    return pw_u16(other + PW_MAP_BASE) == PW_NONE &&
           pw_u16(other + PW_MAP_CHANNEL) == pw_u16(record + PW_MAP_CHANNEL);
}

static pw_status check_maps(const pw_lookup *lookup)
{
    uint32_t place, entry;
    for (place = 0; place < lookup->map_count; place++) {
        const unsigned char *record = pw_map_record(lookup, place);
        uint32_t family = pw_u16(record + PW_MAP_FAMILY);
        uint32_t columns = pw_u16(record + PW_MAP_COLUMNS), rows = pw_u16(record + PW_MAP_ROWS), other;
        int good;
        if (pw_u16(record + PW_MAP_CHANNEL) >= lookup->channel_count ||
            pw_u16(record + PW_MAP_COLOUR) >= lookup->colour_count || family < 1u || family > 4u ||
            pw_u16(record + PW_MAP_PUPIL_DEGREE) > PW_MAX_PUPIL_DEGREE ||
            pw_u16(record + PW_MAP_FIRST_BLOCK) + pw_u16(record + PW_MAP_BLOCK_COUNT) > lookup->block_count ||
            !within_positive(pw_u32(record + PW_MAP_ERROR_PX), PW_LARGEST_VALUE_BITS) ||
            !good_link(lookup, pw_u16(record + PW_MAP_GAIN), 2u) || !base_is_good(lookup, record, place))
            return PW_REFUSED;
        for (entry = 0; entry < 6u; entry++) {
            if (!within(pw_u32(record + PW_MAP_AFFINE + 4u * entry), PW_LARGEST_TANGENT_BITS))
                return PW_REFUSED;
        }
        for (other = 0; other < place; other++) {
            const unsigned char *earlier = pw_map_record(lookup, other);
            if (pw_u32(earlier + PW_MAP_CHANNEL) == pw_u32(record + PW_MAP_CHANNEL))
                return PW_REFUSED; /* channel and colour, side by side: the same map twice */
        }
        if (family == PW_FAMILY_CHEBYSHEV)
            good = chebyshev_is_good(lookup, record, columns, rows);
        else if (family == PW_FAMILY_LATTICE)
            good = lattice_is_good(lookup, record, columns, rows);
        else
            good = modes_are_good(lookup, record, columns, rows);
        if (!good)
            return PW_REFUSED;
    }
    return PW_OK;
}

static pw_status check_display(const pw_lookup *lookup)
{
    const unsigned char *record = pw_record(lookup, PW_SECTION_DISPLAY, PW_DISPLAY_BYTES, 0);
    uint32_t axis, place;
    for (axis = 0; axis < 3u; axis++) {
        uint32_t low = pw_u32(record + PW_DISPLAY_PUPIL_LOW + 4u * axis);
        uint32_t high = pw_u32(record + PW_DISPLAY_PUPIL_HIGH + 4u * axis);
        if (!within(low, PW_LARGEST_PUPIL_MM_BITS) || !within(high, PW_LARGEST_PUPIL_MM_BITS) ||
            ordered(low) > ordered(high))
            return PW_REFUSED;
    }
    if (!within_positive(pw_u32(record + PW_DISPLAY_ERROR_PX), PW_LARGEST_VALUE_BITS))
        return PW_REFUSED;
    for (place = 0; place < lookup->channel_count; place++) {
        const unsigned char *channel = pw_channel_record(lookup, place);
        uint32_t width = pw_u32(channel + PW_CHANNEL_PANEL_WIDTH), height = pw_u32(channel + PW_CHANNEL_PANEL_HEIGHT);
        if (width < 16u || width > 32768u || height < 16u || height > 32768u ||
            !good_link(lookup, pw_u16(channel + PW_CHANNEL_WEIGHT), 1u))
            return PW_REFUSED;
    }
    return PW_OK;
}

/* Finds the sections and holds their checksums; sizes[] gets their lengths. */
static pw_status find_sections(pw_lookup *lookup, uint32_t sizes[PW_SECTION_COUNT])
{
    const unsigned char *bytes = lookup->bytes;
    const uint32_t table_end = PW_HEADER_BYTES + PW_SECTION_BYTES * PW_SECTION_COUNT;
    static const unsigned char zeros[4] = {0, 0, 0, 0};
    uint32_t place, end = table_end, crc;
    crc = crc_32(0, bytes, PW_HEADER_CRC);
    crc = crc_32(crc, zeros, 4);
    crc = crc_32(crc, bytes + PW_HEADER_CRC + 4u, table_end - PW_HEADER_CRC - 4u);
    if (crc != pw_u32(bytes + PW_HEADER_CRC))
        return PW_DAMAGED;
    for (place = 0; place < PW_SECTION_COUNT; place++) {
        const unsigned char *record = bytes + PW_HEADER_BYTES + PW_SECTION_BYTES * place;
        uint32_t offset = pw_u32(record + PW_SECTION_OFFSET), size = pw_u32(record + PW_SECTION_SIZE);
        uint32_t wanted = (end + PW_ALIGNMENT - 1u) / PW_ALIGNMENT * PW_ALIGNMENT;
        if (pw_u32(record + PW_SECTION_KIND) != place + 1u || offset != wanted || offset > lookup->size ||
            size > lookup->size - offset)
            return PW_REFUSED;
        if (!all_zero(bytes, end, offset))
            return PW_REFUSED;
        if (crc_32(0, bytes + offset, size) != pw_u32(record + PW_SECTION_CRC))
            return PW_DAMAGED;
        lookup->offset[place] = offset;
        sizes[place] = size;
        end = offset + size;
    }
    if ((end + PW_ALIGNMENT - 1u) / PW_ALIGNMENT * PW_ALIGNMENT != lookup->size || !all_zero(bytes, end, lookup->size))
        return PW_REFUSED;
    return PW_OK;
}

/* Number of whole records of a section, or `most` + 1 where that is not a whole number or too many. */
static uint32_t record_count(uint32_t size, uint32_t record_bytes, uint32_t most)
{
    if (size % record_bytes != 0u || size / record_bytes > most)
        return most + 1u;
    return size / record_bytes;
}

pw_status pw_open(pw_lookup *lookup, const void *bytes, size_t size)
{
    const unsigned char *blob = bytes;
    const uint32_t maps = PW_MAX_CHANNELS * PW_MAX_COLOURS;
    uint32_t sizes[PW_SECTION_COUNT];
    pw_status status;
    memset(lookup, 0, sizeof *lookup);
    if (blob == NULL || size < PW_HEADER_BYTES + PW_SECTION_BYTES * PW_SECTION_COUNT || size > PW_MAX_BLOB_BYTES)
        return PW_NOT_A_BLOB;
    if (memcmp(blob, PW_MAGIC, 8) != 0 || pw_u16(blob + PW_HEADER_VERSION) != PW_VERSION ||
        pw_u16(blob + PW_HEADER_SECTION_COUNT) != PW_SECTION_COUNT ||
        pw_u32(blob + PW_HEADER_TOTAL_BYTES) != (uint32_t)size)
        return PW_NOT_A_BLOB;
    lookup->bytes = blob;
    lookup->size = (uint32_t)size;
    status = find_sections(lookup, sizes);
    if (status != PW_OK)
        return status;
    lookup->channel_count = record_count(sizes[PW_SECTION_CHANNELS], PW_CHANNEL_BYTES, PW_MAX_CHANNELS);
    lookup->colour_count = record_count(sizes[PW_SECTION_COLOURS], PW_COLOUR_BYTES, PW_MAX_COLOURS);
    lookup->map_count = record_count(sizes[PW_SECTION_MAPS], PW_MAP_BYTES, maps);
    lookup->block_count = record_count(sizes[PW_SECTION_BLOCKS], PW_BLOCK_BYTES, PW_NONE);
    lookup->surface_count = record_count(sizes[PW_SECTION_SURFACES], PW_SURFACE_BYTES, PW_MAX_SURFACES);
    if (sizes[PW_SECTION_DISPLAY] != PW_DISPLAY_BYTES || lookup->channel_count < 1u ||
        lookup->channel_count > PW_MAX_CHANNELS || lookup->colour_count < 1u || lookup->colour_count > PW_MAX_COLOURS ||
        lookup->map_count < 1u || lookup->map_count > maps || lookup->block_count > PW_NONE ||
        lookup->surface_count > PW_MAX_SURFACES)
        return PW_REFUSED;
    status = check_blocks(lookup, sizes[PW_SECTION_DATA]);
    if (status == PW_OK)
        status = check_surfaces(lookup);
    if (status == PW_OK)
        status = check_display(lookup);
    if (status == PW_OK)
        status = check_maps(lookup);
    return status;
}

pw_status pw_find_map(const pw_lookup *lookup, uint32_t channel, uint32_t colour, uint32_t *map)
{
    uint32_t place;
    for (place = 0; place < lookup->map_count; place++) {
        const unsigned char *record = pw_map_record(lookup, place);
        if (pw_u16(record + PW_MAP_CHANNEL) == channel && pw_u16(record + PW_MAP_COLOUR) == colour) {
            *map = place;
            return PW_OK;
        }
    }
    return PW_NO_SUCH;
}

uint32_t pw_base_of(const pw_lookup *lookup, uint32_t map)
{
    return map < lookup->map_count ? pw_u16(pw_map_record(lookup, map) + PW_MAP_BASE) : PW_NONE;
}

size_t pw_coefficient_count(const pw_lookup *lookup, uint32_t map)
{
    const unsigned char *record;
    size_t columns;
    if (map >= lookup->map_count)
        return 0;
    record = pw_map_record(lookup, map);
    columns = pw_u16(record + PW_MAP_COLUMNS);
    if (pw_u16(record + PW_MAP_FAMILY) == PW_FAMILY_CHEBYSHEV)
        return 2u * (size_t)pw_graded_count((uint32_t)columns - 1u);
    return columns * pw_u16(record + PW_MAP_ROWS) * 2u;
}
