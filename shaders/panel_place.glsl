// Provides: prewarp_panel_pixel: the panel point of this fragment, px, v down, first pixel's centre (0.5, 0.5).
// Needs: u_panel_px: width and height of the panel. The target has the panel's size.
// PREWARP_ROWS_UP 0: the target's row 0 is the panel's top row (Vulkan; an OpenGL texture that is read row by row).
// PREWARP_ROWS_UP 1: it is the bottom row (a window of OpenGL).

#ifndef PREWARP_ROWS_UP
#define PREWARP_ROWS_UP 0
#endif

uniform vec2 u_panel_px;

vec2 prewarp_panel_pixel() {
#if PREWARP_ROWS_UP == 1
    return vec2(gl_FragCoord.x, u_panel_px.y - gl_FragCoord.y);
#else
    return gl_FragCoord.xy;
#endif
}
