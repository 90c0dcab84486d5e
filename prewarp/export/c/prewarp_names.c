/* Names, sizes and statuses: reads records of an open blob, computes nothing. */
#include "prewarp_names.h"

#include "prewarp_fixed.h"


/* Names fill their entry with zeros; one as long as the entry has none. */
static int is_name(const unsigned char *stored, const char *name)
{
    uint32_t place;
    for (place = 0; place < PREWARP_STORED_NAME_BYTES; place++) {
        if (stored[place] != (unsigned char)name[place])
            return 0;
        if (stored[place] == 0u)
            return 1;
    }
    return name[PREWARP_STORED_NAME_BYTES] == '\0';
}

static prewarp_status find_name(const prewarp_lookup *lookup, uint32_t section, uint32_t bytes, uint32_t entry,
                                uint32_t count, const char *name, uint32_t *found)
{
    uint32_t place;
    for (place = 0; name != NULL && name[0] != '\0' && place < count; place++) {
        if (is_name(prewarp_record(lookup, section, bytes, place) + entry, name)) {
            *found = place;
            return PREWARP_OK;
        }
    }
    return PREWARP_NO_SUCH;
}

static prewarp_status copy_name(const unsigned char *stored, char name[PREWARP_NAME_BYTES])
{
    memset(name, 0, PREWARP_NAME_BYTES);
    if (stored == NULL)
        return PREWARP_NO_SUCH;
    memcpy(name, stored, PREWARP_STORED_NAME_BYTES);
    return PREWARP_OK;
}

prewarp_status prewarp_find_channel(const prewarp_lookup *lookup, const char *name, uint32_t *channel)
{
    return find_name(lookup, PREWARP_SECTION_CHANNELS, PREWARP_CHANNEL_BYTES, PREWARP_CHANNEL_NAME,
                     lookup->channel_count, name, channel);
}

prewarp_status prewarp_find_colour(const prewarp_lookup *lookup, const char *name, uint32_t *colour)
{
    return find_name(lookup, PREWARP_SECTION_COLOURS, PREWARP_COLOUR_BYTES, PREWARP_COLOUR_NAME, lookup->colour_count,
                     name, colour);
}

prewarp_status prewarp_find_named_map(const prewarp_lookup *lookup, const char *channel, const char *colour,
                                      uint32_t *map)
{
    uint32_t of_channel, of_colour;
    if (prewarp_find_channel(lookup, channel, &of_channel) != PREWARP_OK ||
        prewarp_find_colour(lookup, colour, &of_colour) != PREWARP_OK)
        return PREWARP_NO_SUCH;
    return prewarp_find_map(lookup, of_channel, of_colour, map);
}

prewarp_status prewarp_channel_name(const prewarp_lookup *lookup, uint32_t channel, char name[PREWARP_NAME_BYTES])
{
    const int there = channel < lookup->channel_count;
    return copy_name(there ? prewarp_channel_record(lookup, channel) + PREWARP_CHANNEL_NAME : NULL, name);
}

prewarp_status prewarp_colour_name(const prewarp_lookup *lookup, uint32_t colour, char name[PREWARP_NAME_BYTES])
{
    const int there = colour < lookup->colour_count;
    const unsigned char *record =
        there ? prewarp_record(lookup, PREWARP_SECTION_COLOURS, PREWARP_COLOUR_BYTES, colour) : NULL;
    return copy_name(there ? record + PREWARP_COLOUR_NAME : NULL, name);
}

prewarp_status prewarp_panel_size(const prewarp_lookup *lookup, uint32_t channel, uint32_t size_px[2])
{
    const unsigned char *record;
    size_px[0] = size_px[1] = 0u;
    if (channel >= lookup->channel_count)
        return PREWARP_NO_SUCH;
    record = prewarp_channel_record(lookup, channel);
    size_px[0] = prewarp_u32(record + PREWARP_CHANNEL_PANEL_WIDTH);
    size_px[1] = prewarp_u32(record + PREWARP_CHANNEL_PANEL_HEIGHT);
    return PREWARP_OK;
}

static const unsigned char *display_of(const prewarp_lookup *lookup)
{
    return prewarp_record(lookup, PREWARP_SECTION_DISPLAY, PREWARP_DISPLAY_BYTES, 0);
}

/* The bits of a stored float, as they are. */
static float float_at(const unsigned char *p)
{
    uint32_t bits = prewarp_u32(p);
    float value;
    memcpy(&value, &bits, sizeof value);
    return value;
}

void prewarp_eye_box(const prewarp_lookup *lookup, float low_mm[3], float high_mm[3])
{
    const unsigned char *display = display_of(lookup);
    uint32_t axis;
    for (axis = 0; axis < 3u; axis++) {
        low_mm[axis] = float_at(display + PREWARP_DISPLAY_PUPIL_LOW + 4u * axis);
        high_mm[axis] = float_at(display + PREWARP_DISPLAY_PUPIL_HIGH + 4u * axis);
    }
}

void prewarp_fixed_eye_box(const prewarp_lookup *lookup, int32_t low[3], int32_t high[3])
{
    const unsigned char *display = display_of(lookup);
    uint32_t axis;
    for (axis = 0; axis < 3u; axis++) {
        low[axis] = cut(fixed_from_bits(prewarp_u32(display + PREWARP_DISPLAY_PUPIL_LOW + 4u * axis), PUPIL_ONE));
        high[axis] = cut(fixed_from_bits(prewarp_u32(display + PREWARP_DISPLAY_PUPIL_HIGH + 4u * axis), PUPIL_ONE));
    }
}

prewarp_status prewarp_get_content(const prewarp_lookup *lookup, prewarp_content *content)
{
    const unsigned char *display = display_of(lookup);
    const uint32_t width = prewarp_u32(display + PREWARP_DISPLAY_CONTENT_SIZE);
    const uint32_t height = prewarp_u32(display + PREWARP_DISPLAY_CONTENT_SIZE + 4u);
    const uint32_t kind = prewarp_u32(display + PREWARP_DISPLAY_CONTENT_KIND);
    memset(content, 0, sizeof *content);
    if (kind == 0u)
        return PREWARP_NO_SUCH;
    content->size_px[0] = width;
    content->size_px[1] = height;
    content->kind = kind;
    content->focal_px = float_at(display + PREWARP_DISPLAY_CONTENT_FOCAL);
    return PREWARP_OK;
}

const char *prewarp_status_name(prewarp_status status)
{
    switch (status) {
    case PREWARP_OK:
        return "PREWARP_OK";
    case PREWARP_OFF_PANEL:
        return "PREWARP_OFF_PANEL";
    case PREWARP_NOT_CONVERGED:
        return "PREWARP_NOT_CONVERGED";
    case PREWARP_NOT_A_BLOB:
        return "PREWARP_NOT_A_BLOB";
    case PREWARP_DAMAGED:
        return "PREWARP_DAMAGED";
    case PREWARP_REFUSED:
        return "PREWARP_REFUSED";
    case PREWARP_NO_SUCH:
        return "PREWARP_NO_SUCH";
    case PREWARP_TOO_SMALL:
        return "PREWARP_TOO_SMALL";
    }
    return "unknown status";
}
