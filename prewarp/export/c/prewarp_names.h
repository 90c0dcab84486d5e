/* What a blob says of the display: channels and colours by name, panel sizes, eye box, content; names of statuses.
 *
 *   uint32_t map, size_px[2];
 *   if (prewarp_find_named_map(&lookup, "inner", "G", &map) != PREWARP_OK)
 *       ...
 *
 * Names are UTF-8, as in manifest.json. Of an open blob alone; nothing here computes with floats. */
#ifndef PREWARP_NAMES_H
#define PREWARP_NAMES_H

#include "prewarp_lookup.h"

#ifdef __cplusplus
extern "C" {
#endif

/* Bytes that hold any name, the zero at its end included. */
#define PREWARP_NAME_BYTES 33u

/* Place of a channel or colour in the blob's lists. PREWARP_NO_SUCH: no such name. */
prewarp_status prewarp_find_channel(const prewarp_lookup *lookup, const char *name, uint32_t *channel);
prewarp_status prewarp_find_colour(const prewarp_lookup *lookup, const char *name, uint32_t *colour);

/* Place of the map of a channel and colour, by their names. */
prewarp_status prewarp_find_named_map(const prewarp_lookup *lookup, const char *channel, const char *colour,
                                      uint32_t *map);

/* Name of a channel or colour; "" and PREWARP_NO_SUCH: no such place. */
prewarp_status prewarp_channel_name(const prewarp_lookup *lookup, uint32_t channel, char name[PREWARP_NAME_BYTES]);
prewarp_status prewarp_colour_name(const prewarp_lookup *lookup, uint32_t colour, char name[PREWARP_NAME_BYTES]);

/* Width and height of a channel's panel, px; 0, 0 and PREWARP_NO_SUCH: no such channel. */
prewarp_status prewarp_panel_size(const prewarp_lookup *lookup, uint32_t channel, uint32_t size_px[2]);

/* Lowest and highest pupil position, mm (x, y, z); pupils outside are moved to the nearest inside. */
void prewarp_eye_box(const prewarp_lookup *lookup, float low_mm[3], float high_mm[3]);

/* The same in 1/65536 mm. */
void prewarp_fixed_eye_box(const prewarp_lookup *lookup, int32_t low[3], int32_t high[3]);

#define PREWARP_CONTENT_FLAT 1u        /* px are proportional to tangents */
#define PREWARP_CONTENT_EQUIDISTANT 2u /* px are proportional to angles */

/* The content picture: width and height, px; how it lies on directions; px per unit tangent (flat) or per radian
 * (equidistant) at its middle, which is straight ahead. */
typedef struct {
    uint32_t size_px[2], kind;
    float focal_px;
} prewarp_content;

/* PREWARP_NO_SUCH: the blob does not describe the content. */
prewarp_status prewarp_get_content(const prewarp_lookup *lookup, prewarp_content *content);

/* "PREWARP_OK" and so on; "unknown status" for any other number. Never NULL. */
const char *prewarp_status_name(prewarp_status status);

#ifdef __cplusplus
}
#endif

#endif
