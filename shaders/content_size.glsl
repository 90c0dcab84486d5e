// Provides: u_content_px: width and height of the content picture, px; prewarp_on_content: black beyond it, for three colours.
// Asking a texture for its size costs as much as a sample.

#include "sampling.glsl"

uniform vec2 u_content_px;

vec3 prewarp_on_content(vec2 red, vec2 green, vec2 blue) {
    return vec3(prewarp_on_picture(u_content_px, red), prewarp_on_picture(u_content_px, green),
                prewarp_on_picture(u_content_px, blue));
}
