/* The text console before the link starts: `show`, `set NAME VALUE`, `save`, `go`. */
#ifndef CAMDRIFT_CONSOLE_H
#define CAMDRIFT_CONSOLE_H

#include "head.h"

#define CONSOLE_LINE 64

/* What an electrician can set. Kept in flash with a CRC; the build's defaults hold where nothing was saved. */
typedef struct {
    head_config_t head;
    uint32_t crank_lines, cam_lines; /* lines of the encoders; four counts each */
    uint32_t crank_index, cam_index; /* an index is wired */
    uint32_t crank_teeth, cam_marks; /* pick-ups in place of an encoder; 0 = encoder */
    uint32_t loop_full_ua;           /* loop current at the converter's full scale */
} settings_t;

typedef enum { CONSOLE_OK, CONSOLE_SHOW, CONSOLE_SAVE, CONSOLE_GO, CONSOLE_WRONG } console_t;

/* The identity's counts per turn: four for each line of an encoder, one for each tooth or mark. */
void settings_counts(settings_t *s);

/* One line, without its end. CONSOLE_WRONG: nothing was changed. */
console_t console_line(settings_t *s, const char *line);

/* The settings as text, a name and a value a line, zero-terminated; returns its length. */
size_t console_show(const settings_t *s, char *out, size_t size);

/* The settings as bytes with a CRC, and back; unpack returns 0 and changes nothing where the CRC is wrong. */
size_t settings_pack(const settings_t *s, uint8_t *out, size_t size);
uint8_t settings_unpack(settings_t *s, const uint8_t *in, size_t size);

#endif
