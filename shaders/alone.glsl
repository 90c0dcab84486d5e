// Provides: prewarp_alone: how far content points of red, green, blue, px, lie inside a rectangle in which this channel is lit
// from everywhere and all but alone; above 0 inside. It bends one way: what lies between values at nodes is never too large.
// Needs: u_alone_middle, u_alone_half, content px.

uniform vec2 u_alone_middle;
uniform vec2 u_alone_half;

float prewarp_alone(vec2 red, vec2 green, vec2 blue) {
    vec2 aside = max(abs(red - u_alone_middle), abs(green - u_alone_middle));
    aside = max(aside, abs(blue - u_alone_middle)) - u_alone_half;
    return -max(aside.x, aside.y);
}
