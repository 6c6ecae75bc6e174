#include "console.h"

#include "pickup.h"

typedef struct {
    const char *name;
    uint32_t low, high;
} field_t;

static const field_t FIELDS[] = {
    {"serial", 0, 0xFFFFFFFFu},      {"interval_us", 100, 100000},    {"block", 1, SAMPLES_MAX},
    {"burst_s", 0, 600},             {"period_s", 0, 86400},          {"crank_lines", 1, 16384},
    {"cam_lines", 1, 16384},         {"crank_index", 0, 1},           {"cam_index", 0, 1},
    {"crank_teeth", 0, PICKUP_MARKS_MAX}, {"cam_marks", 0, PICKUP_MARKS_MAX},
    {"loop_full_ua", 20000, 65535},
};
#define FIELDS_N (sizeof FIELDS / sizeof FIELDS[0])

static uint32_t get(const settings_t *s, unsigned i)
{
    switch (i) {
    case 0: return s->head.identity.serial;
    case 1: return s->head.identity.interval_ns / 1000u;
    case 2: return s->head.block;
    case 3: return s->head.burst_us / 1000000u;
    case 4: return s->head.period_us / 1000000u;
    case 5: return s->crank_lines;
    case 6: return s->cam_lines;
    case 7: return s->crank_index;
    case 8: return s->cam_index;
    case 9: return s->crank_teeth;
    case 10: return s->cam_marks;
    default: return s->loop_full_ua;
    }
}

static void set(settings_t *s, unsigned i, uint32_t v)
{
    switch (i) {
    case 0: s->head.identity.serial = v; break;
    case 1: s->head.identity.interval_ns = v * 1000u; break;
    case 2: s->head.block = (uint16_t)v; break;
    case 3: s->head.burst_us = v * 1000000u; break;
    case 4: s->head.period_us = v > 4294u ? 4294000000u : v * 1000000u; break;
    case 5: s->crank_lines = v; break;
    case 6: s->cam_lines = v; break;
    case 7: s->crank_index = v; break;
    case 8: s->cam_index = v; break;
    case 9: s->crank_teeth = v; break;
    case 10: s->cam_marks = v; break;
    default: s->loop_full_ua = v; break;
    }
    settings_counts(s);
}

void settings_counts(settings_t *s)
{
    s->head.identity.crank_counts = s->crank_teeth ? s->crank_teeth : 4u * s->crank_lines;
    s->head.identity.cam_counts = s->cam_marks ? s->cam_marks : 4u * s->cam_lines;
}

static uint8_t begins(const char **at, const char *word)
{
    const char *p = *at;
    while (*word && *p == *word) {
        p++;
        word++;
    }
    if (*word || (*p && *p != ' ')) {
        return 0;
    }
    while (*p == ' ') {
        p++;
    }
    *at = p;
    return 1;
}

static uint8_t number(const char *at, uint32_t *v)
{
    uint64_t n = 0;
    unsigned digits = 0;
    for (; *at >= '0' && *at <= '9' && digits < 11; at++, digits++) {
        n = n * 10 + (uint32_t)(*at - '0');
    }
    *v = (uint32_t)n;
    return digits > 0 && *at == 0 && n <= 0xFFFFFFFFu;
}

static console_t set_name(settings_t *s, const char *at)
{
    char *name = s->head.identity.name;
    size_t n = 0;
    while (at[n] && n < 17) {
        if ((uint8_t)at[n] <= ' ' || (uint8_t)at[n] == 0x7F) {
            return CONSOLE_WRONG;
        }
        n++;
    }
    if (n == 0 || n > 16) {
        return CONSOLE_WRONG;
    }
    for (size_t i = 0; i < 16; i++) {
        name[i] = i < n ? at[i] : 0;
    }
    return CONSOLE_OK;
}

console_t console_line(settings_t *s, const char *line)
{
    const char *at = line;
    uint32_t v;
    if (begins(&at, "show")) return CONSOLE_SHOW;
    if (begins(&at, "save")) return CONSOLE_SAVE;
    if (begins(&at, "go")) return CONSOLE_GO;
    if (!begins(&at, "set")) return CONSOLE_WRONG;
    if (begins(&at, "name")) return set_name(s, at);
    for (unsigned i = 0; i < FIELDS_N; i++) {
        const char *rest = at;
        if (begins(&rest, FIELDS[i].name)) {
            if (!number(rest, &v) || v < FIELDS[i].low || v > FIELDS[i].high) {
                return CONSOLE_WRONG;
            }
            set(s, i, v);
            return CONSOLE_OK;
        }
    }
    return CONSOLE_WRONG;
}

static void text(char *out, size_t size, size_t *n, const char *t)
{
    while (*t && *n + 1 < size) {
        out[(*n)++] = *t++;
    }
}

static void decimal(char *out, size_t size, size_t *n, uint32_t v)
{
    char digits[11];
    unsigned k = 10;
    digits[10] = 0;
    do {
        digits[--k] = (char)('0' + v % 10u);
        v /= 10u;
    } while (v && k > 0);
    text(out, size, n, digits + k);
}

size_t console_show(const settings_t *s, char *out, size_t size)
{
    size_t n = 0;
    char name[17];
    for (unsigned i = 0; i < 16; i++) {
        name[i] = s->head.identity.name[i];
    }
    name[16] = 0;
    text(out, size, &n, "name ");
    text(out, size, &n, name);
    for (unsigned i = 0; i < FIELDS_N; i++) {
        text(out, size, &n, "\r\n");
        text(out, size, &n, FIELDS[i].name);
        text(out, size, &n, " ");
        decimal(out, size, &n, get(s, i));
    }
    text(out, size, &n, "\r\n");
    if (size > 0) {
        out[n] = 0;
    }
    return n;
}

size_t settings_pack(const settings_t *s, uint8_t *out, size_t size)
{
    writer_t w = {out, size, 0, 0};
    for (unsigned i = 0; i < 16; i++) {
        put_u8(&w, (uint8_t)s->head.identity.name[i]);
    }
    for (unsigned i = 0; i < FIELDS_N; i++) {
        put_u32(&w, get(s, i));
    }
    put_u32(&w, crc32(out, w.used));
    return w.full ? 0 : w.used;
}

static uint32_t word(const uint8_t *at)
{
    return (uint32_t)at[0] | (uint32_t)at[1] << 8 | (uint32_t)at[2] << 16 | (uint32_t)at[3] << 24;
}

uint8_t settings_unpack(settings_t *s, const uint8_t *in, size_t size)
{
    const size_t n = 16 + 4 * FIELDS_N;
    if (size < n + 4 || word(in + n) != crc32(in, n)) {
        return 0;
    }
    for (unsigned i = 0; i < FIELDS_N; i++) {
        uint32_t v = word(in + 16 + 4 * i);
        if (v < FIELDS[i].low || v > FIELDS[i].high) {
            return 0;
        }
    }
    for (unsigned i = 0; i < 16; i++) {
        s->head.identity.name[i] = (char)in[i];
    }
    for (unsigned i = 0; i < FIELDS_N; i++) {
        set(s, i, word(in + 16 + 4 * i));
    }
    return 1;
}
