/* The head on any board: settings and console, edges to angles, samples to frames, bytes to the wire. */
#include "board.h"

#include "config.h"
#include "ntc.h"

head_t head;
settings_t settings;
quad_t crank, cam;
shafts_t shafts;
static volatile uint16_t starts;

static void defaults(void)
{
    static const char name[] = HEAD_NAME;
    settings = (settings_t){0};
    for (unsigned i = 0; i < sizeof name - 1 && i < 16; i++) {
        settings.head.identity.name[i] = name[i];
    }
    settings.head.identity.serial = HEAD_SERIAL;
    settings.head.identity.major = FIRMWARE_MAJOR;
    settings.head.identity.minor = FIRMWARE_MINOR;
    settings.head.identity.interval_ns = INTERVAL_US * 1000u;
    settings.head.block = BLOCK;
    settings.head.burst_us = BURST_S * 1000000u;
    settings.head.period_us = PERIOD_S * 1000000u;
    settings.crank_lines = CRANK_LINES;
    settings.cam_lines = CAM_LINES;
    settings.crank_index = CRANK_INDEX;
    settings.cam_index = CAM_INDEX;
    settings.crank_teeth = CRANK_TEETH;
    settings.cam_marks = CAM_MARKS;
    settings.loop_full_ua = LOOP_FULL_UA;
    settings_counts(&settings);
}

/* Pick-ups: A is the tooth, Z the turn mark, B a second tooth pick-up a quarter of a tooth later; it is still low at A's
   rising edge while the shaft turns ahead. Without one B stays low. */
void on_edges(uint32_t us, uint32_t pins, uint32_t changed)
{
    uint32_t risen = changed & pins;
    if (shafts.has_crank) {
        if (risen & PIN_CRANK_Z) {
            shafts_edge(&shafts, us, CRANK_TURN);
        }
        if (risen & PIN_CRANK_A) {
            shafts_edge(&shafts, us, (uint8_t)(CRANK_TOOTH | (pins & PIN_CRANK_B ? ASTERN : 0)));
        }
    } else {
        if (changed & (PIN_CRANK_A | PIN_CRANK_B)) {
            quad_edge(&crank, (uint8_t)((pins & PIN_CRANK_A ? 2u : 0u) | (pins & PIN_CRANK_B ? 1u : 0u)));
        }
        if (risen & PIN_CRANK_Z) {
            quad_index(&crank);
        }
    }
    if (shafts.has_cam) {
        if (risen & PIN_CAM_Z) {
            shafts_edge(&shafts, us, CAM_TURN);
        }
        if (risen & PIN_CAM_A) {
            shafts_edge(&shafts, us, (uint8_t)(CAM_TOOTH | (pins & PIN_CAM_B ? ASTERN : 0)));
        }
    } else {
        if (changed & (PIN_CAM_A | PIN_CAM_B)) {
            quad_edge(&cam, (uint8_t)((pins & PIN_CAM_A ? 2u : 0u) | (pins & PIN_CAM_B ? 1u : 0u)));
        }
        if (risen & PIN_CAM_Z) {
            quad_index(&cam);
        }
    }
}

void on_sample(uint64_t us, uint16_t crank_angle, uint16_t cam_angle, uint16_t raw_loop, uint8_t loop_answers)
{
    uint32_t ua = (uint32_t)raw_loop * settings.loop_full_ua / 65535u;
    uint32_t id = head_latch(&head, us, (uint16_t)(ua > 65535u ? 65535u : ua), loop_answers);
    if (!shafts.has_crank) {
        head_crank(&head, id, crank_angle, crank.known);
    }
    if (!shafts.has_cam) {
        head_cam(&head, id, cam_angle, cam.known);
    }
}

/* Turn marks and indexes at another place than before, and teeth that have moved. */
static uint16_t slips(const pickup_t *p)
{
    uint32_t n = (uint32_t)p->slips + p->changed;
    return (uint16_t)(n > 0xFFFEu ? 0xFFFEu : n);
}

static void health(health_t *h)
{
    h->head_dc = board_head_dc();
    h->casing_dc = ntc_dc(board_analog(0));
    h->frame_dc = ntc_dc(board_analog(1));
    h->crank_slips = shafts.has_crank ? slips(&shafts.crank) : crank.has_index ? crank.slips : NOT_FITTED_U16;
    h->cam_slips = shafts.has_cam ? slips(&shafts.cam) : cam.has_index ? cam.slips : NOT_FITTED_U16;
    h->crank_turns = shafts.has_crank ? shafts.crank.turns : quad_turns(&crank);
    h->starts = starts;
    h->skew_ns = board_skew_ns();
}

static void say(const char *text)
{
    while (*text) {
        while (!board_write((uint8_t)*text)) {
            board_watchdog();
        }
        text++;
    }
}

static uint8_t answer(const char *line)
{
    static char shown[400];
    static uint8_t page[BOOT_PAGE];
    switch (console_line(&settings, line)) {
    case CONSOLE_GO:
        return 1;
    case CONSOLE_SHOW:
        console_show(&settings, shown, sizeof shown);
        say(shown);
        return 0;
    case CONSOLE_SAVE:
        for (unsigned i = 0; i < sizeof page; i++) {
            page[i] = 0xFF;
        }
        settings_pack(&settings, page, sizeof page);
        board_settings_write(page);
        say("saved\r\n");
        return 0;
    case CONSOLE_OK:
        say("ok\r\n");
        return 0;
    default:
        say("not understood: show | set NAME VALUE | save | go\r\n");
        return 0;
    }
}

/* Until `go`: only where the jumper is fitted, so that a head at sea never waits for a person. */
static void console(void)
{
    static char line[CONSOLE_LINE];
    unsigned n = 0;
    say("camdrift head: show | set NAME VALUE | save | go\r\n");
    for (;;) {
        board_watchdog();
        int byte = board_read();
        if (byte < 0) {
            continue;
        }
        if (byte == '\r' || byte == '\n') {
            line[n] = 0;
            if (n > 0 && answer(line)) {
                return;
            }
            n = 0;
        } else if (n + 1 < sizeof line) {
            line[n++] = (char)byte;
        }
    }
}

void run_head(void)
{
    defaults();
    settings_unpack(&settings, board_settings_area(), BOOT_PAGE);
    if (board_console_wanted()) {
        console();
    }
    uint32_t boot = boot_next(board_boot_flash());
    starts = (uint16_t)(boot > 0xFFFEu ? 0xFFFEu : boot);
    uint32_t pins = board_pins();
    quad_init(&crank, (int32_t)settings.head.identity.crank_counts, (uint8_t)settings.crank_index,
              (uint8_t)((pins & PIN_CRANK_A ? 2u : 0u) | (pins & PIN_CRANK_B ? 1u : 0u)));
    quad_init(&cam, (int32_t)settings.head.identity.cam_counts, (uint8_t)settings.cam_index,
              (uint8_t)((pins & PIN_CAM_A ? 2u : 0u) | (pins & PIN_CAM_B ? 1u : 0u)));
    shafts_init(&shafts, (uint16_t)settings.crank_teeth, (uint16_t)settings.cam_marks);
    head_init(&head, &settings.head, boot, health);
    board_start(settings.head.identity.interval_ns / 1000u);
    int pending = -1;
    uint32_t seen = head.head - 1u;
    for (;;) {
        /* Woken by every edge; there is something to do only when a sample was latched. */
        uint32_t latched = head.head;
        if (latched == seen) {
            board_idle();
            continue;
        }
        seen = latched;
        board_watchdog();
        shafts_poll(&shafts, &head);
        head_poll(&head, board_us());
        for (unsigned i = 0; i < 64; i++) {
            if (pending < 0) {
                pending = head_byte(&head);
            }
            if (pending < 0 || !board_write((uint8_t)pending)) {
                break;
            }
            pending = -1;
        }
    }
}
