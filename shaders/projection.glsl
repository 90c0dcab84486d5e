// Provides: prewarp_plane_from_tangent, prewarp_tangent_from_plane. A picture's pixels are an affine map of this plane.
// Needs: PREWARP_PROJECTION 0 flat (plane = tangents), 1 equidistant (plane = angle from straight ahead, radians).
// tangent: viewing direction X/Z, Y/Z, +x right, +y up. plane: same axes.
// Python twin: prewarp.content.ContentProjection.

#ifndef PREWARP_PROJECTION
#define PREWARP_PROJECTION 0
#endif

vec2 prewarp_plane_from_tangent(vec2 tangent) {
#if PREWARP_PROJECTION == 1
    float radius = length(tangent);
    return radius > 1e-6 ? tangent * (atan(radius) / radius) : tangent;
#else
    return tangent;
#endif
}

vec2 prewarp_tangent_from_plane(vec2 plane) {
#if PREWARP_PROJECTION == 1
    float angle = length(plane);
    return angle > 1e-6 ? plane * (tan(min(angle, 1.57)) / angle) : plane;
#else
    return plane;
#endif
}
