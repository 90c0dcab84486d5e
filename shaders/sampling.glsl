// Provides: prewarp_sample_black, prewarp_sample_edge: bilinear samples of a linear-light picture by four explicit fetches;
// prewarp_sample_black_of, prewarp_sample_edge_of: the same where the picture's size is known.
// Needs: nothing. pixel: px of the picture, first texel's centre (0.5, 0.5); texture row 0 is the picture's top row.
// black: texels outside count as black. edge: the rim is repeated.
// Python twin: prewarp.render.sampling.SamplingPlane.sample.

vec4 prewarp_sample_edge_of(sampler2D picture, vec2 size, vec2 pixel) {
    vec2 last = size - 1.0;
    vec2 place = clamp(pixel - 0.5, vec2(0.0), last);
    ivec2 texel = ivec2(place);
    ivec2 next = min(texel + ivec2(1, 1), ivec2(last));
    vec2 t = place - vec2(texel);
    vec4 top = mix(texelFetch(picture, texel, 0), texelFetch(picture, ivec2(next.x, texel.y), 0), t.x);
    vec4 bottom = mix(texelFetch(picture, ivec2(texel.x, next.y), 0), texelFetch(picture, next, 0), t.x);
    return mix(top, bottom, t.y);
}

vec4 prewarp_sample_edge(sampler2D picture, vec2 pixel) {
    return prewarp_sample_edge_of(picture, vec2(textureSize(picture, 0)), pixel);
}

// How much of a bilinear sample lies on the picture: 1 but within half a pixel of its rim.
float prewarp_on_picture(vec2 size, vec2 pixel) {
    vec2 share = clamp(0.5 * size + 0.5 - abs(pixel - 0.5 * size), 0.0, 1.0);
    return share.x * share.y;
}

vec4 prewarp_sample_black_of(sampler2D picture, vec2 size, vec2 pixel) {
    return prewarp_sample_edge_of(picture, size, pixel) * prewarp_on_picture(size, pixel);
}

vec4 prewarp_sample_black(sampler2D picture, vec2 pixel) {
    return prewarp_sample_black_of(picture, vec2(textureSize(picture, 0)), pixel);
}
