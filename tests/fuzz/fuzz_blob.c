/* Opens many damaged copies of a blob under sanitizers, and evaluates what the reader accepts.
 *
 * usage: fuzz_blob BLOB COUNT SEED
 * Half of the copies keep their broken checksums: the reader must refuse every one whose bytes differ. The other half
 * get all checksums right again, so that the rules behind them are reached. Prints how many of each were accepted and
 * refused. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "fuzz_parts.h"

int main(int argument_count, char **arguments)
{
    unsigned char *blob, *copy;
    size_t size, records_end;
    unsigned long count, turn, accepted = 0, refused = 0, kept = 0;
    prewarp_lookup lookup;
    FILE *file;
    if (argument_count != 4 || (file = fopen(arguments[1], "rb")) == NULL)
        return 2;
    fseek(file, 0, SEEK_END);
    size = (size_t)ftell(file);
    rewind(file);
    blob = malloc(size);
    if (blob == NULL || fread(blob, 1, size, file) != size)
        return 2;
    fclose(file);
    count = strtoul(arguments[2], NULL, 10);
    state = 0x9E3779B97F4A7C15u ^ strtoul(arguments[3], NULL, 10);
    if (prewarp_open(&lookup, blob, size) != PREWARP_OK)
        return 3;
    evaluate_promises(&lookup);
    evaluate_names(&lookup);
    evaluate(&lookup);
    evaluate_light(&lookup);
    records_end = lookup.offset[PREWARP_SECTION_DATA];
    for (turn = 0; turn < count; turn++) {
        size_t length = size;
        int same;
        unsigned char *exact;
        copy = malloc(size);
        memcpy(copy, blob, size);
        damage(copy, &length, records_end);
        if (turn % 2u)
            mend(copy, length);
        exact = malloc(length); /* exact: a read beyond it is found */
        memcpy(exact, copy, length);
        same = length == size && memcmp(exact, blob, size) == 0;
        if (prewarp_open(&lookup, exact, length) == PREWARP_OK) {
            if (turn % 2u == 0u && !same) {
                fprintf(stderr, "copy %lu: accepted with a broken checksum\n", turn);
                return 4;
            }
            accepted += turn % 2u;
            evaluate_promises(&lookup);
            evaluate_names(&lookup);
            evaluate(&lookup);
            evaluate_light(&lookup);
        } else if (turn % 2u) {
            refused++;
        } else {
            kept++;
        }
        free(exact);
        free(copy);
    }
    printf("mended and accepted %lu\nmended and refused %lu\nbroken and refused %lu\n", accepted, refused, kept);
    free(blob);
    return 0;
}
