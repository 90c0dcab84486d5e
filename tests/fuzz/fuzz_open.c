/* Coverage-guided fuzz of the C reader and of all that it lets pass, by libFuzzer (clang -fsanitize=fuzzer).
 *
 * Inputs are blobs; whatever the mutator makes of one, its checksums are made right again but one time in sixteen, so
 * that the rules behind them are reached. */
#include "fuzz_parts.h"

size_t LLVMFuzzerMutate(uint8_t *data, size_t size, size_t max_size);
size_t LLVMFuzzerCustomMutator(uint8_t *data, size_t size, size_t max_size, unsigned int seed);
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

size_t LLVMFuzzerCustomMutator(uint8_t *data, size_t size, size_t max_size, unsigned int seed)
{
    state ^= (uint64_t)seed << 20 | 1u;
    if (any(2u) != 0u && size > PREWARP_HEADER_BYTES)
        damage(data, &size, size < 1200u ? size : 1200u);
    else
        size = LLVMFuzzerMutate(data, size, max_size);
    if (any(16u) != 0u)
        mend(data, size);
    return size;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    unsigned char *exact = malloc(size); /* exact: a read beyond it is found */
    prewarp_lookup lookup;
    if (exact == NULL)
        return 0;
    memcpy(exact, data, size);
    state = 0x9E3779B97F4A7C15u ^ size;
    if (prewarp_open(&lookup, exact, size) == PREWARP_OK) {
        evaluate_promises(&lookup);
        evaluate_names(&lookup);
        evaluate(&lookup);
        evaluate_light(&lookup);
    }
    free(exact);
    return 0;
}
