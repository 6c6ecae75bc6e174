/* What a board layer gives the head, and what it takes from it. Pins and registers are the board's own affair. */
#ifndef CAMDRIFT_BOARD_H
#define CAMDRIFT_BOARD_H

#include "boot.h"
#include "console.h"
#include "quad.h"
#include "shafts.h"

extern head_t head;
extern settings_t settings;
extern quad_t crank, cam;
extern shafts_t shafts;

/* head_main.c: called by the board's interrupts. */
void on_edges(uint32_t us, uint32_t pins, uint32_t changed); /* bits of PIN_... below */
void on_sample(uint64_t us, uint16_t crank_angle, uint16_t cam_angle, uint16_t raw_loop, uint8_t loop_answers);
void run_head(void);

enum {
    PIN_CRANK_A = 1, PIN_CRANK_B = 2, PIN_CRANK_Z = 4, PIN_CAM_A = 8, PIN_CAM_B = 16, PIN_CAM_Z = 32,
};

/* The board's layer. */
uint64_t board_us(void);
uint32_t board_pins(void);
int board_write(uint8_t byte);             /* 0 where the wire is busy */
int board_read(void);                      /* a byte typed at the console, or -1 */
uint8_t board_console_wanted(void);        /* the console jumper is fitted */
void board_start(uint32_t interval_us);    /* edges and sampling from now on */
void board_watchdog(void);
void board_idle(void);                     /* wait for the next interrupt */
uint16_t board_analog(unsigned input);     /* 0 casing, 1 frame: share of the supply, 0 to 4,095 */
int16_t board_head_dc(void);               /* the chip's own temperature, 0.1 degree C */
int16_t board_skew_ns(void);               /* measured between the two latches */
const boot_flash_t *board_boot_flash(void);
const uint8_t *board_settings_area(void);
void board_settings_write(const uint8_t *page);

#endif
