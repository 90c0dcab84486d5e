// Provides: prewarp_pupil_mm: the pupil that a device is given, moved into the eye box; prewarp_unit_pupil: -1 to 1 over the box.
// Needs: block PrewarpPupil: pupil position, mm from the eye-box centre, x right, y up, z toward the optics; all that is
// uploaded when the eye moves. u_box_low_mm, u_box_high_mm: the eye box. Python twin: prewarp.lookup.device.unit_pupil_32.

layout(std140) uniform PrewarpPupil {
    vec4 u_pupil_mm;
};
uniform vec3 u_box_low_mm;
uniform vec3 u_box_high_mm;

vec3 prewarp_pupil_mm() {
    return clamp(u_pupil_mm.xyz, u_box_low_mm, u_box_high_mm);
}

vec3 prewarp_unit_pupil() {
    // An axis of no length: its pupil function is 0.
    vec3 box_size = max(u_box_high_mm - u_box_low_mm, vec3(1e-30));
    vec3 pupil_mm = prewarp_pupil_mm();
    return clamp(((pupil_mm - u_box_low_mm) + (pupil_mm - u_box_high_mm)) / box_size, vec3(-1.0), vec3(1.0));
}
