/* The RP2040 board layer. Register addresses and fields from the chip's data sheet.

   Pins: 0 UART out, 1 UART in (console), 2 3 4 crank A B Z, 5 6 7 cam A B Z, 16 18 17 SPI in, clock, select of the loop's
   converter, 22 console jumper to ground, 26 27 thermistors of casing and frame. */
#include "board.h"
#include "config.h"

#define REG(a) (*(volatile uint32_t *)(a))
#define SET(a) REG((a) + 0x2000u)
#define CLR(a) REG((a) + 0x3000u)

enum {
    RESETS = 0x4000C000u, CLOCKS = 0x40008000u, XOSC = 0x40024000u, PLL_SYS = 0x40028000u, IO_BANK0 = 0x40014000u,
    PADS = 0x4001C000u, TIMER = 0x40054000u, WATCHDOG = 0x40058000u, UART0 = 0x40034000u, SPI0 = 0x4003C000u,
    ADC = 0x4004C000u,
};
#define SIO 0xD0000000u
#define PPB 0xE0000000u

enum { IRQ_TIMER0 = 0, IRQ_GPIO = 13 };
enum { FIRST_PIN = 2, PIN_UART_TX = 0, PIN_UART_RX = 1, PIN_SPI_RX = 16, PIN_SPI_CS = 17, PIN_SPI_SCK = 18,
       PIN_CONSOLE = 22 };

#define SYS_HZ 125000000u
#define FLASH_BASE 0x10000000u
#define BOOT_AT 0x1FB000u     /* four sectors of boot numbers */
#define SETTINGS_AT 0x1FF000u /* one sector of settings */

static uint32_t interval, next_us, last_pins;
static int16_t skew_ns;

/* -- flash: from RAM, with the flash taken out of the address space; the emulator's harness takes these two over -- */

typedef void *(*rom_lookup_t)(uint16_t *table, uint32_t code);
extern const volatile uint16_t rom_words[]; /* at 14h of the ROM: the function table, then, two words on, its look-up */

__attribute__((section(".ram"), noinline)) static void flash_do(uint32_t offset, const uint8_t *page, rom_lookup_t find)
{
    uint16_t *table = (uint16_t *)(uintptr_t)rom_words[0];
    void (*connect)(void) = (void (*)(void))find(table, 'I' | 'F' << 8);
    void (*leave)(void) = (void (*)(void))find(table, 'E' | 'X' << 8);
    void (*erase)(uint32_t, uint32_t, uint32_t, uint8_t) =
        (void (*)(uint32_t, uint32_t, uint32_t, uint8_t))find(table, 'R' | 'E' << 8);
    void (*program)(uint32_t, const uint8_t *, uint32_t) =
        (void (*)(uint32_t, const uint8_t *, uint32_t))find(table, 'R' | 'P' << 8);
    void (*flush)(void) = (void (*)(void))find(table, 'F' | 'C' << 8);
    void (*enter)(void) = (void (*)(void))find(table, 'C' | 'X' << 8);
    connect();
    leave();
    if (page) {
        program(offset, page, BOOT_PAGE);
    } else {
        erase(offset, BOOT_SECTOR, 65536u, 0xD8);
    }
    flush();
    enter();
}

static rom_lookup_t rom_lookup(void)
{
    return (rom_lookup_t)(uintptr_t)rom_words[2];
}

__attribute__((noinline)) void board_flash_erase(uint32_t offset)
{
    __asm volatile("cpsid i" ::: "memory");
    flash_do(offset, 0, rom_lookup());
    __asm volatile("cpsie i" ::: "memory");
}

__attribute__((noinline)) void board_flash_program(uint32_t offset, const uint8_t *page)
{
    __asm volatile("cpsid i" ::: "memory");
    flash_do(offset, page, rom_lookup());
    __asm volatile("cpsie i" ::: "memory");
}

static void boot_erase(uint32_t offset)
{
    board_flash_erase(BOOT_AT + offset);
}

static void boot_program(uint32_t offset, const uint8_t *page)
{
    board_flash_program(BOOT_AT + offset, page);
}

const boot_flash_t *board_boot_flash(void)
{
    static const boot_flash_t flash = {(const uint8_t *)(FLASH_BASE + BOOT_AT), boot_erase, boot_program};
    return &flash;
}

const uint8_t *board_settings_area(void)
{
    return (const uint8_t *)(FLASH_BASE + SETTINGS_AT);
}

void board_settings_write(const uint8_t *page)
{
    board_flash_erase(SETTINGS_AT);
    board_flash_program(SETTINGS_AT, page);
}

/* -- clocks, pins, ports ------------------------------------------------------------------------------------------ */

static void clocks(void)
{
    REG(XOSC) = 0xAA0u;            /* 1 to 15 MHz */
    REG(XOSC + 0x0C) = 47u;        /* start-up delay: 12 MHz / 256 * 1 ms */
    SET(XOSC) = 0xFABu << 12;      /* enable */
    for (unsigned i = 0; i < 100000u && !(REG(XOSC + 4) & 0x80000000u); i++) {
    }
    REG(CLOCKS + 0x30) = 2u;       /* reference from the crystal */
    for (unsigned i = 0; i < 1000u && !(REG(CLOCKS + 0x38) & 4u); i++) {
    }
    CLR(RESETS) = 1u << 12;        /* PLL */
    REG(PLL_SYS) = 1u;
    REG(PLL_SYS + 8) = 125u;       /* 12 MHz * 125 = 1,500 MHz */
    CLR(PLL_SYS + 4) = 1u | 1u << 5;
    for (unsigned i = 0; i < 100000u && !(REG(PLL_SYS) & 0x80000000u); i++) {
    }
    REG(PLL_SYS + 0x0C) = 6u << 16 | 2u << 12; /* / 6 / 2 = 125 MHz */
    CLR(PLL_SYS + 4) = 1u << 3;
    REG(CLOCKS + 0x3C) = 1u;       /* system clock from the PLL */
    REG(CLOCKS + 0x48) = 1u << 11; /* peripheral clock */
    REG(CLOCKS + 0x60) = 1u << 11; /* converter: system PLL ... */
    REG(CLOCKS + 0x64) = 3u << 8;  /* ... / 3: 41.7 MHz, within its limit of 48 */
    REG(WATCHDOG + 0x2C) = 12u | 1u << 9; /* tick of 1 us for timer and watchdog */
}

static void pin_function(unsigned pin, uint32_t function)
{
    REG(PADS + 4 + 4 * pin) = 1u << 6 | 1u << 1; /* input enabled, hysteresis, no pulls */
    REG(IO_BANK0 + 4 + 8 * pin) = function;
}

static void ports(void)
{
    CLR(RESETS) = 1u << 0 | 1u << 5 | 1u << 8 | 1u << 16 | 1u << 21 | 1u << 22; /* ADC IO PADS SPI0 TIMER UART0 */
    for (unsigned pin = FIRST_PIN; pin < FIRST_PIN + 6; pin++) {
        pin_function(pin, 5); /* read by the processor */
    }
    REG(PADS + 4 + 4 * PIN_CONSOLE) = 1u << 6 | 1u << 3 | 1u << 1; /* pulled up */
    REG(IO_BANK0 + 4 + 8 * PIN_CONSOLE) = 5;
    pin_function(PIN_UART_TX, 2);
    pin_function(PIN_UART_RX, 2);
    pin_function(PIN_SPI_RX, 1);
    pin_function(PIN_SPI_CS, 1);
    pin_function(PIN_SPI_SCK, 1);
    uint32_t div = 8u * SYS_HZ / UART_BAUD; /* baud divisor times 128 */
    REG(UART0 + 0x24) = div >> 7;
    REG(UART0 + 0x28) = ((div & 127u) + 1) / 2;
    REG(UART0 + 0x2C) = 0x70u; /* 8N1, FIFO */
    REG(UART0 + 0x30) = 0x301u;
    REG(SPI0 + 0x10) = 62u;    /* 125 MHz / 62 = 2 MHz */
    REG(SPI0) = 15u;           /* 16 bits */
    REG(SPI0 + 4) = 2u;
    REG(ADC) = 1u | 1u << 1;   /* on, with the temperature sensor */
    board_watchdog();
    SET(WATCHDOG) = 1u << 30;
    REG(PPB + 0xE014) = 0xFFFFFFu; /* SysTick: free-running at the system clock, to measure the latches' skew */
    REG(PPB + 0xE010) = 5u;
}

uint64_t board_us(void)
{
    uint32_t high, low;
    do {
        high = REG(TIMER + 0x24);
        low = REG(TIMER + 0x28);
    } while (high != REG(TIMER + 0x24));
    return (uint64_t)high << 32 | low;
}

uint32_t board_pins(void)
{
    return REG(SIO + 4) >> FIRST_PIN & 63u;
}

int board_write(uint8_t byte)
{
    if (REG(UART0 + 0x18) & 1u << 5) {
        return 0;
    }
    REG(UART0) = byte;
    return 1;
}

int board_read(void)
{
    return REG(UART0 + 0x18) & 1u << 4 ? -1 : (int)(REG(UART0) & 255u);
}

uint8_t board_console_wanted(void)
{
    return !(REG(SIO + 4) >> PIN_CONSOLE & 1u);
}

void board_watchdog(void)
{
    REG(WATCHDOG + 4) = 2000000u; /* counts two a microsecond: one second */
}

void board_idle(void)
{
    __asm volatile("wfi");
}

static uint16_t convert(uint32_t input)
{
    REG(ADC) = 1u | 1u << 1 | input << 12 | 1u << 2;
    for (unsigned i = 0; i < 1000u && !(REG(ADC) & 1u << 8); i++) {
    }
    return (uint16_t)(REG(ADC + 4) & 0xFFFu);
}

uint16_t board_analog(unsigned input)
{
    return convert(input);
}

int16_t board_head_dc(void)
{
    /* 27 degrees at 0.706 V, -1.721 mV a degree, 3.3 V over 4,096 steps; in 0.1 degree. */
    int32_t uv = (int32_t)((uint32_t)convert(4) * 3300000u / 4096u);
    return (int16_t)(270 - (uv - 706000) * 10 / 1721);
}

int16_t board_skew_ns(void)
{
    return skew_ns;
}

/* -- interrupts --------------------------------------------------------------------------------------------------- */

static uint16_t loop_raw(uint8_t *answers)
{
    REG(SPI0 + 8) = 0;
    for (unsigned i = 0; i < 2000u; i++) {
        if (REG(SPI0 + 0x0C) & 4u) {
            uint16_t raw = (uint16_t)REG(SPI0 + 8);
            *answers = raw != 0 && raw != 0xFFFFu;
            return raw;
        }
    }
    *answers = 0;
    return 0;
}

/* The highest priority: nothing may come between the instant and the two angles. */
void irq_timer0(void)
{
    uint32_t from = REG(PPB + 0xE018);
    uint64_t us = board_us();
    uint16_t crank_angle = quad_angle(&crank);
    uint32_t to = REG(PPB + 0xE018);
    uint16_t cam_angle = quad_angle(&cam);
    uint8_t answers;
    REG(TIMER + 0x34) = 1u;
    next_us += interval;
    REG(TIMER + 0x10) = next_us;
    skew_ns = (int16_t)(((from - to) & 0xFFFFFFu) * 8u);
    uint16_t raw = loop_raw(&answers);
    on_sample(us, crank_angle, cam_angle, raw, answers);
}

void irq_gpio(void)
{
    uint32_t us = REG(TIMER + 0x28), raised = REG(IO_BANK0 + 0x120);
    REG(IO_BANK0 + 0xF0) = raised;
    uint32_t pins = board_pins(), changed = pins ^ last_pins;
    last_pins = pins;
    /* An index pulse that is over before the pins are read has left its rising edge behind. */
    if (raised & 8u << 4 * (FIRST_PIN + 2)) {
        changed |= PIN_CRANK_Z;
        pins |= PIN_CRANK_Z;
    }
    if (raised & 8u << 4 * (FIRST_PIN + 5)) {
        changed |= PIN_CAM_Z;
        pins |= PIN_CAM_Z;
    }
    on_edges(us, pins, changed);
}

void board_start(uint32_t interval_us)
{
    interval = interval_us;
    last_pins = board_pins();
    uint32_t edges = 0;
    for (unsigned pin = FIRST_PIN; pin < FIRST_PIN + 6; pin++) {
        edges |= 0xCu << 4 * pin;
    }
    REG(IO_BANK0 + 0xF0) = 0xFFFFFFFFu;
    REG(IO_BANK0 + 0x100) = edges;
    REG(PPB + 0xE400) = 0x00u << 6;                           /* timer: highest */
    REG(PPB + 0xE400 + 12) = 0x1u << 6 << 8;                  /* IRQ 13: one below */
    REG(PPB + 0xE100) = 1u << IRQ_TIMER0 | 1u << IRQ_GPIO;
    next_us = REG(TIMER + 0x28) + interval;
    REG(TIMER + 0x38) = 1u;
    REG(TIMER + 0x10) = next_us;
}

/* -- start -------------------------------------------------------------------------------------------------------- */

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
    clocks();
    ports();
    run_head();
}

static void stuck(void)
{
    for (;;) { /* the watchdog starts the head again */
    }
}

#define IRQ(n) [16 + (n)]
__attribute__((section(".vectors"), used)) static void (*const vectors[16 + 26])(void) = {
    [0] = (void (*)(void))&__stack, [1] = reset, [2] = stuck, [3] = stuck, [11] = stuck, [14] = stuck, [15] = stuck,
    IRQ(IRQ_TIMER0) = irq_timer0, IRQ(IRQ_GPIO) = irq_gpio,
};
