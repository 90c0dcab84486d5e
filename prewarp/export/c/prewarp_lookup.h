/* Evaluates lookup blobs: meshes and single points of pre-warp maps, blend weights of what is lit, gains.
 *
 * C99, no allocation, no global state; the caller lends all memory, and several threads may share one blob.
 * Three parts:
 * - prewarp_open.c checks a blob from untrusted bytes; integers only.
 * - prewarp_float.c, prewarp_light.c, prewarp_mesh.c, prewarp_chebyshev.c, prewarp_lines.c: the float32 path, functions
 *   prewarp_...; with -ffp-contract=off equal to the last bit everywhere. prewarp_light.c needs sqrtf and floorf (-lm).
 * - prewarp_fixed.c, prewarp_fixed_light.c, prewarp_fixed_mesh.c: the integer path, functions prewarp_fixed_..., for parts
 *   without a floating-point unit; touches no float.
 *
 * For speed compile with -O3 and for the part's own instructions (-march=native, -mcpu=...): meshes are sums over long
 * lines, of which compilers make vector instructions. For small code use -Os: results are the same.
 *
 * Frames: panel px, origin at the top-left corner, v down; directions are tangents X/Z, Y/Z, +x to the wearer's right,
 * +y up; pupil mm from the eye-box centre. Typical use, once per pupil position and channel (maps: green, then red):
 *
 *   prewarp_prepare(&lookup, green, pupil_mm, NULL, green_memory, green_count, &maps[0]);
 *   prewarp_prepare(&lookup, red, pupil_mm, &maps[0], red_memory, red_count, &maps[1]);
 *   prewarp_meshes(maps, 2, 65, 65, work, work_count, directions);
 *
 * For weights and gains prepare all maps, then prewarp_prepare_light once per pupil position.
 *
 * prewarp_turn.h turns meshes with the head, line by line. A map may be stored as the difference from another one of its
 * channel, its base (here red from green).
 *
 * Time and memory are bounded whatever the numbers say. No recursion; a call takes at most PREWARP_STACK_BYTES of stack with
 * all that it calls (gcc, -Os to -O3, Cortex-M0+ to M7 and x86-64). Loops end by the limits of prewarp_layout.h:
 * - prewarp_open: every byte a fixed number of times; it is linear in the blob.
 * - prewarp_prepare: every code of the map once.
 * - prewarp_meshes: lines first, at most PREWARP_MAX_PANEL_DEGREE + 1 terms for each of their points, then as many for each
 *   node; splines have 4 and 4.
 * - prewarp_panel_from_direction: Newton's method, at most PREWARP_INVERSE_STEPS steps of 3 evaluations of the map.
 * - prewarp_prepare_light: every corner of a border once, PREWARP_MAX_BORDER_POINTS at most.
 * - prewarp_weights: at most one binary search among the corners of each map's border, and one
 *   prewarp_panel_from_direction where part of a panel is dark.
 *
 * CAUTION: a wrong map or a stale pupil position shows a doubled or displaced image. Check the status of every call,
 * and switch to an unwarped single channel when one is not PREWARP_OK. */
#ifndef PREWARP_LOOKUP_H
#define PREWARP_LOOKUP_H

#include <stddef.h>
#include <stdint.h>

#include "prewarp_layout.h"

#define PREWARP_STACK_BYTES 2304u

#ifdef __cplusplus
extern "C" {
#endif

typedef enum {
    PREWARP_OK = 0,
    PREWARP_OFF_PANEL = 1,     /* the direction is seen beside the panel, at the point given */
    PREWARP_NOT_CONVERGED = 2, /* no panel point was found for the direction */
    PREWARP_NOT_A_BLOB = 16,   /* too short, another magic, version or length */
    PREWARP_DAMAGED = 17,      /* a checksum does not agree */
    PREWARP_REFUSED = 18,      /* checksums agree, the content breaks a rule of the layout */
    PREWARP_NO_SUCH = 19,      /* no such map, channel or node count */
    PREWARP_TOO_SMALL = 20     /* the memory lent is too small */
} prewarp_status;

/* A checked blob. `bytes` must stay in place and unchanged while it is used. */
typedef struct {
    const unsigned char *bytes;
    uint32_t size;
    uint32_t offset[PREWARP_SECTION_COUNT];
    uint32_t channel_count, colour_count, map_count, block_count, claims_count, border_count, region_count, gain_count;
} prewarp_lookup;

/* A map for one pupil position; what it points to must outlive it. */
typedef struct prewarp_map {
    uint32_t place, family, columns, rows;
    float width, height;
    const float *coefficients;
    const struct prewarp_map *base; /* added to this one; NULL: none */
} prewarp_map;

typedef struct prewarp_fixed_map {
    uint32_t place, family, columns, rows;
    int32_t width, height;
    const int32_t *coefficients;
    const struct prewarp_fixed_map *base;
} prewarp_fixed_map;

/* What weights and gains need for one pupil position; what it points to must outlive it. */
typedef struct {
    const prewarp_lookup *lookup;
    const prewarp_map *maps;
    float pupil_mm[3];
    const float *borders[PREWARP_MAX_CHANNELS * PREWARP_MAX_COLOURS];
} prewarp_light;

typedef struct {
    const prewarp_lookup *lookup;
    const prewarp_fixed_map *maps;
    int32_t pupil[3];
    const int32_t *borders[PREWARP_MAX_CHANNELS * PREWARP_MAX_COLOURS];
} prewarp_fixed_light;

/* Checks every byte of a blob. Call nothing else before it has returned PREWARP_OK. */
prewarp_status prewarp_open(prewarp_lookup *lookup, const void *bytes, size_t size);

/* Place of the map of a channel and colour (places in the blob's lists). */
prewarp_status prewarp_find_map(const prewarp_lookup *lookup, uint32_t channel, uint32_t colour, uint32_t *map);

/* Place of the map that must be prepared before a map; PREWARP_NONE: it has no base. */
uint32_t prewarp_base_of(const prewarp_lookup *lookup, uint32_t map);

/* Numbers of memory, floats or int32_t, that prewarp_prepare or prewarp_fixed_prepare needs. 0: no such map. */
size_t prewarp_coefficient_count(const prewarp_lookup *lookup, uint32_t map);

/* ---- float32 path ---- */

/* Evaluates the pupil polynomials of a map at a pupil position (x, y, z), mm; one outside the eye box is moved into it.
 * `base`: the map's base, prepared for the same pupil position; NULL where it has none. */
prewarp_status prewarp_prepare(const prewarp_lookup *lookup, uint32_t map, const float pupil_mm[3],
                               const prewarp_map *base, float *coefficients, size_t count, prewarp_map *prepared);

/* Floats of work memory that prewarp_meshes needs. */
size_t prewarp_meshes_work_count(const prewarp_map *maps, uint32_t count, uint32_t columns, uint32_t rows);

/* Meshes of `count` prepared maps, one after the other: directions (tx, ty) of evenly spaced panel nodes, edge to edge,
 * row by row, 2 x columns x rows floats each. A map's base stands before it in `maps`. What a map and its base have in
 * common is summed once, so ask for all colours of a channel together. PREWARP_NO_SUCH: a base is missing, or fewer
 * than 2 or more than 4097 columns or rows. */
prewarp_status prewarp_meshes(const prewarp_map *maps, uint32_t count, uint32_t columns, uint32_t rows, float *work,
                              size_t work_count, float *directions);

/* The same for `row_count` rows from `first_row` on, where memory is small: 2 x columns x row_count floats each, bit for
 * bit those rows of the whole mesh. What rows share is summed anew in every call: take strips of eight rows or more.
 * PREWARP_NO_SUCH also where no row is asked for, or one that the mesh does not have. */
prewarp_status prewarp_mesh_rows(const prewarp_map *maps, uint32_t count, uint32_t columns, uint32_t rows,
                                 uint32_t first_row, uint32_t row_count, float *work, size_t work_count,
                                 float *directions);

/* Direction in which a panel point (u, v) px is seen. */
void prewarp_direction_from_panel(const prewarp_map *map, const float panel_px[2], float direction[2]);

/* Panel point seen in a direction: PREWARP_OK, PREWARP_OFF_PANEL or PREWARP_NOT_CONVERGED. */
prewarp_status prewarp_panel_from_direction(const prewarp_map *map, const float direction[2], float panel_px[2]);

/* Numbers of memory, floats or int32_t, that prewarp_prepare_light or prewarp_fixed_prepare_light needs. */
size_t prewarp_light_count(const prewarp_lookup *lookup);

/* Finds in which directions the border of what each panel may show is seen from a pupil position, mm; one outside the eye
 * box is moved into it. `maps`: all maps of the blob in their order, prepared for the same pupil position. */
prewarp_status prewarp_prepare_light(const prewarp_lookup *lookup, const float pupil_mm[3], const prewarp_map *maps,
                                     uint32_t map_count, float *memory, size_t count, prewarp_light *light);

/* 1 where a channel shows a direction in every colour, else 0. */
int prewarp_is_lit(const prewarp_light *light, uint32_t channel, const float direction[2]);

/* What shaders read from the texture t_shares: the claim of every channel in a direction, and how many degrees the direction
 * lies inside what the channel shows in every colour. Depths are exact at the border, a fair measure near it, and cut at
 * `limit_deg` either way. One float per channel each. Fill the texture anew for every pupil position; a texel's direction is
 * that of its content point. */
void prewarp_claims_and_depths(const prewarp_light *light, const float direction[2], float limit_deg, float *claims,
                               float *depths_deg);

/* Share of linear light of every channel in a direction, 0 to 1, one float per channel: they add up to 1 wherever any
 * channel is lit. Take them in every pixel, or at nodes far from the border of what is lit: between nodes a weight jumps
 * where light ends. */
void prewarp_weights(const prewarp_light *light, const float direction[2], float *weights);

/* The same for `count` directions (tx, ty), one after another, `channel_count` floats each, bit for bit. Sixteen at a time are
 * worked on side by side: given together, row by row, they take a quarter of the time of single calls. */
void prewarp_weights_of(const prewarp_light *light, const float *directions, size_t count, float *weights);
void prewarp_claims_and_depths_of(const prewarp_light *light, const float *directions, size_t count, float limit_deg,
                                  float *claims, float *depths_deg);

/* What shaders show of every channel: weights, where the content's rim is soft (`edge_deg` of the manifest, 45 at most), times
 * what light is left there; it fades towards the rim of what any channel shows. 0: prewarp_weights_of. */
void prewarp_shares_of(const prewarp_light *light, const float *directions, size_t count, float edge_deg, float *shares);

/* Share of one channel; 0 where there is no such channel. */
float prewarp_weight(const prewarp_light *light, uint32_t channel, const float direction[2]);

/* Gain of a map's channel and colour at a panel point seen in a direction, for linear light; it changes with the pupil.
 * 0 where there is no such map. */
float prewarp_gain(const prewarp_light *light, uint32_t map, const float panel_px[2], const float direction[2]);

/* ---- integer path: pupil in 1/65536 mm, panel in 1/16384 px, directions in 2^-28, weight and gain in 1/65536; each
 * function does what its namesake of the float32 path does ---- */

prewarp_status prewarp_fixed_prepare(const prewarp_lookup *lookup, uint32_t map, const int32_t pupil[3],
                                     const prewarp_fixed_map *base, int32_t *coefficients, size_t count,
                                     prewarp_fixed_map *prepared);
size_t prewarp_fixed_meshes_work_count(const prewarp_fixed_map *maps, uint32_t count, uint32_t columns, uint32_t rows);
prewarp_status prewarp_fixed_meshes(const prewarp_fixed_map *maps, uint32_t count, uint32_t columns, uint32_t rows,
                                    int32_t *work, size_t work_count, int32_t *directions);
prewarp_status prewarp_fixed_mesh_rows(const prewarp_fixed_map *maps, uint32_t count, uint32_t columns, uint32_t rows,
                                       uint32_t first_row, uint32_t row_count, int32_t *work, size_t work_count,
                                       int32_t *directions);
void prewarp_fixed_direction_from_panel(const prewarp_fixed_map *map, const int32_t panel[2], int32_t direction[2]);
prewarp_status prewarp_fixed_panel_from_direction(const prewarp_fixed_map *map, const int32_t direction[2],
                                                  int32_t panel[2]);
prewarp_status prewarp_fixed_prepare_light(const prewarp_lookup *lookup, const int32_t pupil[3],
                                           const prewarp_fixed_map *maps, uint32_t map_count, int32_t *memory,
                                           size_t count, prewarp_fixed_light *light);
int prewarp_fixed_is_lit(const prewarp_fixed_light *light, uint32_t channel, const int32_t direction[2]);
void prewarp_fixed_weights(const prewarp_fixed_light *light, const int32_t direction[2], int32_t *weights);
int32_t prewarp_fixed_weight(const prewarp_fixed_light *light, uint32_t channel, const int32_t direction[2]);
int32_t prewarp_fixed_gain(const prewarp_fixed_light *light, uint32_t map, const int32_t panel[2],
                           const int32_t direction[2]);

#ifdef __cplusplus
}
#endif

#endif
