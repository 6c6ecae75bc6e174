/* A board without encoders: a shaft at 90 rpm is made up by the timer, so that core and link run on another Cortex-M. */
#include "board.h"

#define REG(a) (*(volatile uint32_t *)(a))
enum { TIMER0 = 0x40000000u, UART0 = 0x40004000u };
#define PPB 0xE0000000u
#define CPU_HZ 25000000u
#define RPM 90u
#define LAG_COUNTS 50 /* 1.25 degrees of 14,400 counts */

static uint32_t interval;
static uint64_t now_us;
static uint64_t travel; /* counts times 60,000,000 */
static uint8_t area[BOOT_SECTORS * BOOT_SECTOR], saved[BOOT_PAGE];

static void erase(uint32_t offset)
{
    for (uint32_t i = 0; i < BOOT_SECTOR; i++) {
        area[offset + i] = 0xFF;
    }
}

static void program(uint32_t offset, const uint8_t *page)
{
    for (uint32_t i = 0; i < BOOT_PAGE; i++) {
        area[offset + i] &= page[i];
    }
}

const boot_flash_t *board_boot_flash(void)
{
    static const boot_flash_t flash = {area, erase, program};
    return &flash;
}

const uint8_t *board_settings_area(void)
{
    return saved;
}

void board_settings_write(const uint8_t *page)
{
    for (uint32_t i = 0; i < BOOT_PAGE; i++) {
        saved[i] = page[i];
    }
}

uint64_t board_us(void)
{
    return now_us;
}

uint32_t board_pins(void)
{
    return 0;
}

int board_write(uint8_t byte)
{
    if (REG(UART0 + 4) & 1u) {
        return 0;
    }
    REG(UART0) = byte;
    return 1;
}

int board_read(void)
{
    return -1;
}

uint8_t board_console_wanted(void)
{
    return 0;
}

void board_watchdog(void)
{
}

void board_idle(void)
{
    __asm volatile("wfi");
}

uint16_t board_analog(unsigned input)
{
    return input == 0 ? 1500 : 1800;
}

int16_t board_head_dc(void)
{
    return 400;
}

int16_t board_skew_ns(void)
{
    return SKEW_UNKNOWN;
}

/* Each edge that has come since the last sample, one after the other, as an encoder would give it. */
static void turn(quad_t *q, int32_t to)
{
    static const uint8_t AB[4] = {0, 2, 3, 1};
    for (unsigned i = 0; i < 1000u && (int32_t)q->travel < to; i++) {
        int32_t next = (int32_t)q->travel + 1;
        quad_edge(q, AB[next & 3]);
        if (next % q->counts == 0) {
            quad_index(q);
        }
    }
}

void irq_timer(void)
{
    REG(TIMER0 + 0x0C) = 1u;
    now_us += interval;
    travel += (uint64_t)interval * RPM * (uint32_t)crank.counts;
    int32_t counts = (int32_t)(travel / 60000000u);
    turn(&crank, counts);
    turn(&cam, counts > LAG_COUNTS ? counts - LAG_COUNTS : 0);
    on_sample(now_us, quad_angle(&crank), quad_angle(&cam), 32768, 1);
}

void board_start(uint32_t interval_us)
{
    interval = interval_us;
    REG(TIMER0 + 8) = CPU_HZ / 1000000u * interval_us;
    REG(TIMER0 + 4) = CPU_HZ / 1000000u * interval_us;
    REG(PPB + 0xE100) = 1u << 8;
    REG(TIMER0) = 9u;
}

extern uint32_t __data_start, __data_end, __data_from, __bss_start, __bss_end, __stack;

void reset(void)
{
    uint32_t *from = &__data_from;
    for (uint32_t *to = &__data_start; to < &__data_end; to++) {
        *to = *from++;
    }
    for (uint32_t *to = &__bss_start; to < &__bss_end; to++) {
        *to = 0;
    }
    for (uint32_t i = 0; i < sizeof area; i++) {
        area[i] = 0xFF;
    }
    REG(UART0 + 0x10) = 108u; /* 25 MHz / 230,400 */
    REG(UART0 + 8) = 3u;
    run_head();
}

static void stuck(void)
{
    for (;;) {
    }
}

__attribute__((section(".vectors"), used)) static void (*const vectors[16 + 32])(void) = {
    [0] = (void (*)(void))&__stack, [1] = reset, [2] = stuck, [3] = stuck, [4] = stuck, [5] = stuck, [6] = stuck,
    [11] = stuck, [14] = stuck, [15] = stuck, [16 + 8] = irq_timer,
};
