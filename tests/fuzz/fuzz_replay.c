/* Runs a target once over every file that is named, with any compiler and without a fuzzer: for the corpus, and for what a fuzzer
 * found. Prints how many. */
#include <stdio.h>
#include <stdlib.h>

#include "fuzz.h"

static int run_file(const char *name)
{
    FILE *file = fopen(name, "rb");
    if (file == NULL) {
        (void)fprintf(stderr, "%s cannot be read\n", name);
        return 1;
    }
    uint8_t *data = malloc(1u << 20);
    if (data == NULL) {
        (void)fclose(file);
        return 1;
    }
    const size_t n = fread(data, 1, 1u << 20, file);
    (void)fclose(file);
    uint8_t *exact = malloc(n > 0 ? n : 1u); /* its own size, so that a byte beyond it is seen */
    if (exact != NULL) {
        core_copy(exact, data, n);
        (void)LLVMFuzzerTestOneInput(exact, n);
    }
    free(exact);
    free(data);
    return exact == NULL ? 1 : 0;
}

int main(int count, char **names)
{
    int ran = 0;
    for (int i = 1; i < count; i++) {
        if (run_file(names[i]) != 0) {
            return 1;
        }
        ran++;
    }
    (void)printf("%d inputs\n", ran);
    return 0;
}
