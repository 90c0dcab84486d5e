// Provides: prewarp_bent: how far a mesh lies from straight triangles, to second order, at a place in a cell.
// place: cells, linear in the triangle. Every cell is cut from its first node to the opposite one. along, down, across: halves
// of second differences along u and v, and the mixed one, linear in the triangle. At (s, t) of a cell triangles are off by
// s (1 - s) along + t (1 - t) down + (min(s, t) - s t) across.

vec2 prewarp_bent(vec2 place, vec2 along, vec2 down, vec2 across) {
    vec2 part = fract(place);
    vec2 bent = part * (1.0 - part);
    return bent.x * along + bent.y * down + (min(part.x, part.y) - part.x * part.y) * across;
}
