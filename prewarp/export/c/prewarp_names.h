/* Reads what a blob says of the display: names of channels and colours, panel sizes, eye box, content. Names statuses.
 *
 *   uint32_t map, size_px[2];
 *   if (prewarp_find_named_map(&lookup, "inner", "G", &map) != PREWARP_OK)
 *       ...
 *
 * The blob must be one that prewarp_open has accepted. Names are UTF-8, as in manifest.json. No floats are computed. */
#ifndef PREWARP_NAMES_H
#define PREWARP_NAMES_H

#include "prewarp_lookup.h"

#ifdef __cplusplus
extern "C" {
#endif

/* Bytes that hold any name, the zero at its end included. */
#define PREWARP_NAME_BYTES 33u

/* Finds a channel or colour by name; gives its place in the blob's list. PREWARP_NO_SUCH: the list lacks the name. */
prewarp_status prewarp_find_channel(const prewarp_lookup *lookup, const char *name, uint32_t *channel);
prewarp_status prewarp_find_colour(const prewarp_lookup *lookup, const char *name, uint32_t *colour);

/* Finds the map of a channel and colour by their names; gives its place. */
prewarp_status prewarp_find_named_map(const prewarp_lookup *lookup, const char *channel, const char *colour,
                                      uint32_t *map);

/* Gives the name of a channel or colour; where the list has no such place, "" and PREWARP_NO_SUCH. */
prewarp_status prewarp_channel_name(const prewarp_lookup *lookup, uint32_t channel, char name[PREWARP_NAME_BYTES]);
prewarp_status prewarp_colour_name(const prewarp_lookup *lookup, uint32_t colour, char name[PREWARP_NAME_BYTES]);

/* Gives width and height of a channel's panel, px; where there is no such channel, 0, 0 and PREWARP_NO_SUCH. */
prewarp_status prewarp_panel_size(const prewarp_lookup *lookup, uint32_t channel, uint32_t size_px[2]);

/* Gives the least and the greatest x, y, z of the eye box, mm. Pupil positions outside are moved to the nearest one
 * inside. */
void prewarp_eye_box(const prewarp_lookup *lookup, float low_mm[3], float high_mm[3]);

/* The same in 1/65536 mm. */
void prewarp_fixed_eye_box(const prewarp_lookup *lookup, int32_t low[3], int32_t high[3]);

#define PREWARP_CONTENT_FLAT 1u        /* px are proportional to tangents */
#define PREWARP_CONTENT_EQUIDISTANT 2u /* px are proportional to angles */

/* The content picture, whose middle is straight ahead. size_px: width, height. kind: how px follow directions, one of
 * the two above. focal_px: px per unit of tangent (flat) or per radian (equidistant). */
typedef struct {
    uint32_t size_px[2], kind;
    float focal_px;
} prewarp_content;

/* Gives the content picture. PREWARP_NO_SUCH: the blob does not describe it. */
prewarp_status prewarp_get_content(const prewarp_lookup *lookup, prewarp_content *content);

/* "PREWARP_OK" and so on; "unknown status" for any other number. Never NULL. */
const char *prewarp_status_name(prewarp_status status);

#ifdef __cplusplus
}
#endif

#endif
