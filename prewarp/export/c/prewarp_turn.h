/* Late rotation: directions of panel points in the head pose that a frame's content was drawn for.
 *
 * A panel lights one line after the other, and the head turns meanwhile. Content for a head pose at the time
 * `drawn_for` is right for a line lit at the time t if it is looked up in the direction R(rate (t - drawn_for)) s,
 * where s is the direction in which the panel point is seen. Once per frame, after the meshes are made and before content points
 * are looked up:
 *
 *   prewarp_turn_mesh(&maps[0], &scan, &head, 65, 65, directions);
 *
 * Blend weights are looked up in a copy turned with `drawn_for_s` = weights_for_s of manifest.json, one time for all
 * panels, so that they sum to 1 wherever content is seen; gains belong to the panel points and do not turn.
 *
 * Times count from the frame's start. `scan` is `lit_s` of a channel in manifest.json. A head that keeps still changes
 * no bit. Content that is fixed to the head must not be turned. */
#ifndef PREWARP_TURN_H
#define PREWARP_TURN_H

#include "prewarp_lookup.h"

#ifdef __cplusplus
extern "C" {
#endif

/* A panel point (u, v) px is lit, in the middle of its line's time, at lit_s + lit_s_per_u u + lit_s_per_v v, s. */
typedef struct {
    float lit_s, lit_s_per_u, lit_s_per_v;
} prewarp_scan;

/* rate: rad/s about x (turns downward), y (to the right), z (what is on the right goes up); s after frame start. */
typedef struct {
    float rate[3], drawn_for_s;
} prewarp_head;

/* Turns the direction of a panel point in place. PREWARP_REFUSED where the turn is longer than PREWARP_FARTHEST_TURN, where
 * something is not a number, or where the direction would no longer look forward; then nothing is turned. */
prewarp_status prewarp_turn(const prewarp_scan *scan, const prewarp_head *head, const float panel_px[2],
                            float direction[2]);

/* Turns a mesh of prewarp_meshes in place: all of it, or nothing where the status is not PREWARP_OK. */
prewarp_status prewarp_turn_mesh(const prewarp_map *map, const prewarp_scan *scan, const prewarp_head *head,
                                 uint32_t columns, uint32_t rows, float *directions);

/* Largest turn between the pose drawn for and the last line lit, radians: up to there the series are good to 1e-6 rad. */
#define PREWARP_FARTHEST_TURN 0.36f

/* ---- integer path: times in 2^-40 s, rates in 2^-20 rad/s, directions in 2^-28, panel in 1/16384 px ---- */

typedef struct {
    int64_t lit, lit_per_u, lit_per_v;
} prewarp_fixed_scan;

typedef struct {
    int32_t rate[3];
    int64_t drawn_for;
} prewarp_fixed_head;

prewarp_status prewarp_fixed_turn(const prewarp_fixed_scan *scan, const prewarp_fixed_head *head,
                                  const int32_t panel[2], int32_t direction[2]);
prewarp_status prewarp_fixed_turn_mesh(const prewarp_fixed_map *map, const prewarp_fixed_scan *scan,
                                       const prewarp_fixed_head *head, uint32_t columns, uint32_t rows,
                                       int32_t *directions);

#ifdef __cplusplus
}
#endif

#endif
