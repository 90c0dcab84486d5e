// Provides: prewarp_encoded_from_linear (PREWARP_ENCODING 0 sRGB, 1 power law, 2 measured table),
// prewarp_srgb_from_linear, prewarp_quantised; prewarp_linear_from_encoded for all but 2; prewarp_places_from_linear:
// encoded values in codes of 0 to `largest`, between codes, and so much more.
// Needs: u_gamma for PREWARP_ENCODING 1; t_encoding, one row of encoded values at evenly spaced square roots of light, for 2.
// Light is relative, 0 to 1, clipped; encoded values 0 to 1.
// Python twin: prewarp.encoding.TransferFunction. sRGB: IEC 61966-2-1:1999.

#ifndef PREWARP_ENCODING
#define PREWARP_ENCODING 0
#endif

vec3 prewarp_srgb_from_linear(vec3 light_linear) {
    vec3 light = clamp(light_linear, 0.0, 1.0);
    vec3 low = 12.92 * light;
    vec3 high = 1.055 * pow(max(light, vec3(1e-9)), vec3(1.0 / 2.4)) - 0.055;
    return mix(high, low, vec3(lessThanEqual(light, vec3(0.0031308))));
}

vec3 prewarp_linear_from_srgb(vec3 encoded) {
    vec3 low = encoded / 12.92;
    vec3 high = pow((encoded + 0.055) / 1.055, vec3(2.4));
    return mix(high, low, vec3(lessThanEqual(encoded, vec3(0.04045))));
}

#if PREWARP_ENCODING == 1
uniform float u_gamma;
vec3 prewarp_linear_from_encoded(vec3 encoded) {
    return pow(max(encoded, vec3(1e-9)), vec3(u_gamma));
}
vec3 prewarp_encoded_from_linear(vec3 light_linear) {
    return pow(clamp(light_linear, 1e-9, 1.0), vec3(1.0 / u_gamma));
}
#elif PREWARP_ENCODING == 2
uniform sampler2D t_encoding;
float prewarp_encoded_of(float light) {
    int last = textureSize(t_encoding, 0).x - 1;
    float place = sqrt(clamp(light, 0.0, 1.0)) * float(last);
    int left = min(int(place), last - 1);
    return mix(texelFetch(t_encoding, ivec2(left, 0), 0).r, texelFetch(t_encoding, ivec2(left + 1, 0), 0).r, place - float(left));
}
vec3 prewarp_encoded_from_linear(vec3 light_linear) {
    return vec3(prewarp_encoded_of(light_linear.r), prewarp_encoded_of(light_linear.g), prewarp_encoded_of(light_linear.b));
}
#else
vec3 prewarp_linear_from_encoded(vec3 encoded) {
    return prewarp_linear_from_srgb(encoded);
}
vec3 prewarp_encoded_from_linear(vec3 light_linear) {
    return prewarp_srgb_from_linear(light_linear);
}
#endif

vec3 prewarp_places_from_linear(vec3 light_linear, float largest, float more) {
#if PREWARP_ENCODING == 0
    // The sRGB curve with both numbers in its factors and sums.
    vec3 light = clamp(light_linear, 0.0, 1.0);
    vec3 low = (12.92 * largest) * light + more;
    vec3 high = (1.055 * largest) * pow(light, vec3(1.0 / 2.4)) + (more - 0.055 * largest);
    return mix(high, low, vec3(lessThanEqual(light, vec3(0.0031308))));
#else
    return prewarp_encoded_from_linear(light_linear) * largest + more;
#endif
}

// Rounds to whole codes, largest = 2^bits - 1; the result stays 0 to 1.
vec3 prewarp_quantised(vec3 value_encoded, float largest) {
    return floor(value_encoded * largest + 0.5) * (1.0 / largest);
}
