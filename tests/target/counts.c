/* Instructions and stack of every step of a device, on a bare Cortex-M core under QEMU: with -icount shift=0 an instruction
 * takes 1 ns, and the system timer counts 25 a microsecond, so one tick is 40 instructions. Stack is found by painting. */
#include "prewarp_lookup.h"

#include <stdio.h>

extern const unsigned char blob[];
extern const unsigned blob_size;
enum { NODES = 65, MEMORY = 60000, PAINTED = 4096, PER_TICK = 40 };

#ifdef COUNT_INTEGER
typedef int32_t value;
typedef prewarp_fixed_map map_type;
typedef prewarp_fixed_light light_type;
#define CALL(name) prewarp_fixed_##name
#define PREPARE prewarp_fixed_prepare
static const value pupil[3] = {98304, -65536, 0}, point[2] = {12000000, 9000000};
#else
typedef float value;
typedef prewarp_map map_type;
typedef prewarp_light light_type;
#define CALL(name) prewarp_##name
#define PREPARE prewarp_prepare
static const value pupil[3] = {1.5f, -1.0f, 0.0f}, point[2] = {732.4f, 549.3f};
#endif

static value memory[MEMORY], mesh[2u * NODES * NODES * 3u];
static value *own = memory;
static size_t left = MEMORY;
static prewarp_lookup lookup;
static map_type maps[PREWARP_MAX_CHANNELS * PREWARP_MAX_COLOURS];
static light_type light;
static value direction[2], weights[PREWARP_MAX_CHANNELS], panel[2];

static void open(void)
{
    if (prewarp_open(&lookup, blob, blob_size) != PREWARP_OK)
        puts("failed");
}

static void prepare_first(uint32_t count)
{
    uint32_t map;
    own = memory;
    left = MEMORY;
    for (map = 0; map < count; map++) {
        const uint32_t base = prewarp_base_of(&lookup, map);
        const size_t needed = prewarp_coefficient_count(&lookup, map);
        if (needed > left || PREPARE(&lookup, map, pupil, base == PREWARP_NONE ? NULL : &maps[base], own, needed, &maps[map]))
            puts("failed");
        own += needed;
        left -= needed;
    }
}

static void prepare(void)
{
    prepare_first(3u);
}

static void draw(void)
{
    if (CALL(meshes)(maps, 3, NODES, NODES, own, left, mesh))
        puts("failed");
}

/* The same, eight rows at a time into the same place. */
static void draw_strips(void)
{
    uint32_t row;
    for (row = 0; row < NODES; row += 8u) {
        if (CALL(mesh_rows)(maps, 3, NODES, NODES, row, NODES - row < 8u ? NODES - row : 8u, own, left, mesh))
            puts("failed");
    }
}

static void prepare_all(void)
{
    prepare_first(lookup.map_count);
}

static void prepare_light(void)
{
    if (CALL(prepare_light)(&lookup, pupil, maps, lookup.map_count, own, left, &light))
        puts("failed");
}

static void seen(void)
{
    CALL(direction_from_panel)(&maps[0], point, direction);
}

static void found(void)
{
    (void)CALL(panel_from_direction)(&maps[0], direction, panel);
}

static void weigh(void)
{
    CALL(weights)(&light, direction, weights);
}

static void gain(void)
{
    (void)CALL(gain)(&light, 0, point, direction);
}

static void nothing(void)
{
}

#define TIMER ((volatile uint32_t *)0xE000E010)

static __attribute__((noinline)) void measured(const char *what, void (*step)(void))
{
    volatile uint32_t *top = __builtin_frame_address(0), *word;
    uint32_t before, after;
    for (word = top - PAINTED; word < top - 16; word++)
        *word = 0xA5A5A5A5u;
    TIMER[1] = 0xFFFFFFu;
    TIMER[2] = 0u;
    TIMER[0] = 5u;
    before = TIMER[2];
    step();
    after = TIMER[2];
    for (word = top - PAINTED; *word == 0xA5A5A5A5u; word++)
        ;
    printf("%s %lu %lu\n", what, (unsigned long)(((before - after) & 0xFFFFFFu) * PER_TICK),
           (unsigned long)(4u * (uint32_t)(top - word)));
}

int main(void)
{
    measured("nothing", nothing);
    measured("open", open);
    measured("prepare three maps", prepare);
    measured("meshes, three of 65 x 65", draw);
    measured("the same in strips of 8 rows", draw_strips);
    measured("prepare all maps", prepare_all);
    measured("direction from panel", seen);
    measured("panel from direction", found);
    if (prewarp_light_count(&lookup) <= left) {
        measured("prepare light", prepare_light);
        measured("weights", weigh);
        measured("gain", gain);
    }
    printf("memory %lu %lu\n", (unsigned long)(own - memory), (unsigned long)CALL(meshes_work_count)(maps, 3, NODES, NODES));
    return 0;
}
