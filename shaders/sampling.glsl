// Provides: prewarp_sample_black, prewarp_sample_edge: bilinear samples of a linear-light picture by four explicit fetches.
// Needs: nothing. pixel: px of the picture, first texel's centre (0.5, 0.5); texture row 0 is the picture's top row.
// black: texels outside count as black. edge: the rim is repeated.
// Python twin: prewarp.render.sampling.SamplingPlane.sample.

vec4 prewarp_texel_black(sampler2D picture, ivec2 texel) {
    ivec2 size = textureSize(picture, 0);
    bool inside = texel.x >= 0 && texel.y >= 0 && texel.x < size.x && texel.y < size.y;
    return inside ? texelFetch(picture, texel, 0) : vec4(0.0);
}

vec4 prewarp_texel_edge(sampler2D picture, ivec2 texel) {
    return texelFetch(picture, clamp(texel, ivec2(0, 0), textureSize(picture, 0) - ivec2(1, 1)), 0);
}

vec4 prewarp_sample_black(sampler2D picture, vec2 pixel) {
    vec2 place = clamp(pixel - 0.5, vec2(-2.0), vec2(textureSize(picture, 0)) + 1.0);
    ivec2 texel = ivec2(floor(place));
    vec2 t = place - vec2(texel);
    vec4 top = mix(prewarp_texel_black(picture, texel), prewarp_texel_black(picture, texel + ivec2(1, 0)), t.x);
    vec4 bottom = mix(prewarp_texel_black(picture, texel + ivec2(0, 1)), prewarp_texel_black(picture, texel + ivec2(1, 1)), t.x);
    return mix(top, bottom, t.y);
}

vec4 prewarp_sample_edge(sampler2D picture, vec2 pixel) {
    vec2 place = clamp(pixel - 0.5, vec2(-1.0), vec2(textureSize(picture, 0)));
    ivec2 texel = ivec2(floor(place));
    vec2 t = place - vec2(texel);
    vec4 top = mix(prewarp_texel_edge(picture, texel), prewarp_texel_edge(picture, texel + ivec2(1, 0)), t.x);
    vec4 bottom = mix(prewarp_texel_edge(picture, texel + ivec2(0, 1)), prewarp_texel_edge(picture, texel + ivec2(1, 1)), t.x);
    return mix(top, bottom, t.y);
}
