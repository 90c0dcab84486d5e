// The headers as C++17 reads them, and the evaluator linked to it.
#include <cstdio>
#include <vector>

#include "prewarp_lookup.h"
#include "prewarp_names.h"
#include "prewarp_turn.h"

extern "C" const unsigned char blob[];
extern "C" const unsigned blob_size;

int main()
{
    prewarp_lookup lookup{};
    if (prewarp_open(&lookup, blob, blob_size) != PREWARP_OK)
        return 1;
    const float pupil_mm[3] = {1.5f, -1.0f, 0.5f};
    std::vector<float> memory(prewarp_coefficient_count(&lookup, 0)), mesh(2u * 5u * 4u);
    prewarp_map map{};
    if (prewarp_prepare(&lookup, 0, pupil_mm, nullptr, memory.data(), memory.size(), &map) != PREWARP_OK)
        return 2;
    std::vector<float> work(prewarp_meshes_work_count(&map, 1, 5, 4));
    if (prewarp_meshes(&map, 1, 5, 4, work.data(), work.size(), mesh.data()) != PREWARP_OK)
        return 3;
    const prewarp_scan scan{0.001f, 0.0f, 2e-5f};
    const prewarp_head head{{0.0f, 0.0f, 0.0f}, 0.0f};
    if (prewarp_turn_mesh(&map, &scan, &head, 5, 4, mesh.data()) != PREWARP_OK)
        return 4;
    char name[PREWARP_NAME_BYTES];
    if (prewarp_channel_name(&lookup, 0, name) != PREWARP_OK)
        return 5;
    std::printf("%s", name);
    for (const float number : mesh)
        std::printf(" %.9g", static_cast<double>(number));
    std::printf("\n");
    return 0;
}
