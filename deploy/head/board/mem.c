/* What the compiler calls for copies and clears; there is no C library. */
#include <stddef.h>
#include <stdint.h>

__attribute__((used, optimize("no-tree-loop-distribute-patterns"))) void *memset(void *to, int value, size_t n)
{
    uint8_t *p = to;
    while (n--) {
        *p++ = (uint8_t)value;
    }
    return to;
}

__attribute__((used, optimize("no-tree-loop-distribute-patterns"))) void *memcpy(void *to, const void *from, size_t n)
{
    uint8_t *p = to;
    const uint8_t *q = from;
    while (n--) {
        *p++ = *q++;
    }
    return to;
}
