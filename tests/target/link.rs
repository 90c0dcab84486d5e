// The evaluator called from Rust: rustc alone, declarations written by hand.
use std::ffi::c_void;

#[repr(C)]
struct Lookup {
    bytes: *const u8,
    size: u32,
    offset: [u32; SECTIONS],
    counts: [u32; 8],
}

#[repr(C)]
struct Map {
    place: u32,
    family: u32,
    columns: u32,
    rows: u32,
    width: f32,
    height: f32,
    coefficients: *const f32,
    base: *const Map,
}

const SECTIONS: usize = 10;

extern "C" {
    static blob_size: u32;
    static blob: u8;
    fn prewarp_open(lookup: *mut Lookup, bytes: *const c_void, size: usize) -> u32;
    fn prewarp_coefficient_count(lookup: *const Lookup, map: u32) -> usize;
    fn prewarp_prepare(
        lookup: *const Lookup, map: u32, pupil_mm: *const f32, base: *const Map, coefficients: *mut f32, count: usize,
        prepared: *mut Map,
    ) -> u32;
    fn prewarp_meshes_work_count(maps: *const Map, count: u32, columns: u32, rows: u32) -> usize;
    fn prewarp_meshes(
        maps: *const Map, count: u32, columns: u32, rows: u32, work: *mut f32, work_count: usize, directions: *mut f32,
    ) -> u32;
    fn prewarp_channel_name(lookup: *const Lookup, channel: u32, name: *mut u8) -> u32;
}

fn main() {
    let mut lookup: Lookup = unsafe { std::mem::zeroed() };
    let mut map: Map = unsafe { std::mem::zeroed() };
    let mut mesh = vec![0f32; 2 * 5 * 4];
    let mut name = [0u8; 33];
    unsafe {
        let bytes = &blob as *const u8 as *const c_void;
        assert_eq!(prewarp_open(&mut lookup, bytes, blob_size as usize), 0);
        let pupil_mm = [1.5f32, -1.0, 0.5];
        let mut memory = vec![0f32; prewarp_coefficient_count(&lookup, 0)];
        let none = std::ptr::null();
        let status =
            prewarp_prepare(&lookup, 0, pupil_mm.as_ptr(), none, memory.as_mut_ptr(), memory.len(), &mut map);
        assert_eq!(status, 0);
        let mut work = vec![0f32; prewarp_meshes_work_count(&map, 1, 5, 4)];
        assert_eq!(prewarp_meshes(&map, 1, 5, 4, work.as_mut_ptr(), work.len(), mesh.as_mut_ptr()), 0);
        assert_eq!(prewarp_channel_name(&lookup, 0, name.as_mut_ptr()), 0);
    }
    let end = name.iter().position(|&byte| byte == 0).unwrap();
    print!("{}", std::str::from_utf8(&name[..end]).unwrap());
    for number in &mesh {
        print!(" {:08x}", number.to_bits());
    }
    println!();
}
