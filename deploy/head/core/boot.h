/* The boot number, kept in flash with wear levelling: a record of 8 bytes a start, sector after sector in a ring.

   Erase and program stand behind two functions of the board, so that the levelling runs on the host as well. A start
   that is cut off while it writes leaves a record that does not check; it is passed over. */
#ifndef CAMDRIFT_BOOT_H
#define CAMDRIFT_BOOT_H

#include <stdint.h>

#define BOOT_SECTOR 4096u
#define BOOT_SECTORS 4u
#define BOOT_PAGE 256u

typedef struct {
    const uint8_t *area;                                       /* BOOT_SECTORS * BOOT_SECTOR bytes, readable */
    void (*erase)(uint32_t offset);                            /* one sector at `offset` to 0xFF */
    void (*program)(uint32_t offset, const uint8_t *page);     /* BOOT_PAGE bytes at `offset`; clears bits only */
} boot_flash_t;

/* Find the last boot number, write the next and return it. 1 at the first start. */
uint32_t boot_next(const boot_flash_t *flash);

#endif
