#include "boot.h"

#include "bytes.h"

#define RECORD 8u
#define RECORDS (BOOT_SECTORS * BOOT_SECTOR / RECORD)

static uint32_t word(const uint8_t *at)
{
    return (uint32_t)at[0] | (uint32_t)at[1] << 8 | (uint32_t)at[2] << 16 | (uint32_t)at[3] << 24;
}

static uint8_t blank(const uint8_t *at)
{
    return word(at) == 0xFFFFFFFFu && word(at + 4) == 0xFFFFFFFFu;
}

static uint8_t good(const uint8_t *at)
{
    return !blank(at) && word(at + 4) == crc32(at, 4);
}

uint32_t boot_next(const boot_flash_t *flash)
{
    uint32_t last = 0, found = 0, slot = 0;
    for (uint32_t i = 0; i < RECORDS; i++) {
        const uint8_t *at = flash->area + i * RECORD;
        if (good(at) && (!found || word(at) > last)) {
            last = word(at);
            slot = i + 1;
            found = 1;
        }
    }
    /* The first blank record behind the last good one; a record that was cut off is passed over. */
    uint32_t sector = (found ? slot - 1 : 0) / (BOOT_SECTOR / RECORD);
    uint32_t end = (sector + 1) * (BOOT_SECTOR / RECORD);
    while (slot < end && !blank(flash->area + slot * RECORD)) {
        slot++;
    }
    if (slot >= end) {
        sector = (sector + 1) % BOOT_SECTORS;
        flash->erase(sector * BOOT_SECTOR);
        slot = sector * (BOOT_SECTOR / RECORD);
    }
    uint8_t page[BOOT_PAGE], next[RECORD];
    writer_t w = {next, sizeof next, 0, 0};
    put_u32(&w, last + 1);
    put_u32(&w, crc32(next, 4));
    uint32_t base = slot * RECORD / BOOT_PAGE * BOOT_PAGE;
    for (uint32_t i = 0; i < BOOT_PAGE; i++) {
        page[i] = 0xFF;
    }
    for (uint32_t i = 0; i < RECORD; i++) {
        page[slot * RECORD - base + i] = next[i];
    }
    flash->program(base, page);
    return last + 1;
}
