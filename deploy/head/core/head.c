#include "head.h"

void head_init(head_t *h, const head_config_t *config, uint32_t boot, head_health_fn health)
{
    *h = (head_t){0};
    h->config = *config;
    if (h->config.block == 0 || h->config.block > SAMPLES_MAX) {
        h->config.block = 50;
    }
    h->health = health;
    h->boot = boot;
    h->in_burst = 1;
    h->was_slow = 1;
    /* A delimiter first: what the wire held before, a frame cut off or the console's words, ends here. */
    h->out[h->out_head++] = 0;
}

/* -- from the sampling interrupt --------------------------------------------------------------------------------- */

uint32_t head_latch(head_t *h, uint64_t us, uint16_t loop_ua, uint8_t loop_valid)
{
    uint32_t id = h->head;
    uint32_t due_us = h->config.identity.interval_ns / 1000u;
    if (h->last_latch_us != 0) {
        uint64_t since = us - h->last_latch_us;
        uint64_t off = since > due_us ? since - due_us : due_us - since;
        if (off > h->largest_jitter_us) {
            h->largest_jitter_us = off > 0xFFFEu ? 0xFFFEu : (uint16_t)off;
        }
    }
    h->last_latch_us = us;
    if (id - h->tail >= HEAD_RING) {
        /* The main loop has not come for a second: what does not fit is counted. */
        if (h->lost < 0xFFFEu) {
            h->lost++;
        }
        return id - 1u;
    }
    slot_t *slot = &h->ring[id % HEAD_RING];
    *slot = (slot_t){{0, 0, loop_ua}, us, loop_valid ? VALID_LOOP : 0, 3};
    h->head = id + 1u;
    return id;
}

static slot_t *open_slot(head_t *h, uint32_t id)
{
    return id - h->tail < h->head - h->tail ? &h->ring[id % HEAD_RING] : 0;
}

void head_crank(head_t *h, uint32_t id, uint16_t angle, uint8_t valid)
{
    slot_t *slot = open_slot(h, id);
    if (slot == 0 || !(slot->missing & 1u)) {
        return;
    }
    slot->s.crank = angle;
    slot->valid |= valid ? VALID_CRANK : 0;
    slot->missing &= (uint8_t)~1u;
    if (valid && h->has_last) {
        int16_t step = (int16_t)(uint16_t)(angle - h->last_crank);
        uint32_t travel = (uint32_t)(step < 0 ? -step : step);
        h->turns_x256 += travel;
        h->watched_x256 += travel;
    }
    h->last_crank = angle;
    h->has_last = valid;
}

void head_cam(head_t *h, uint32_t id, uint16_t angle, uint8_t valid)
{
    slot_t *slot = open_slot(h, id);
    if (slot == 0 || !(slot->missing & 2u)) {
        return;
    }
    slot->s.cam = angle;
    slot->valid |= valid ? VALID_CAM : 0;
    slot->missing &= (uint8_t)~2u;
}

/* -- from the main loop ------------------------------------------------------------------------------------------ */

static uint32_t room(const head_t *h)
{
    return HEAD_OUT - (h->out_head - h->out_tail);
}

/* Puts a frame on the wire's ring, whole or not at all. */
static uint8_t send(head_t *h, size_t n)
{
    h->sequence++;
    if (n == 0 || n > room(h)) {
        return 0;
    }
    for (size_t i = 0; i < n; i++) {
        h->out[(h->out_head + i) % HEAD_OUT] = h->frame[i];
    }
    h->out_head += (uint32_t)n;
    return 1;
}

static stamp_t stamp(const head_t *h, uint64_t us)
{
    stamp_t at = {h->sequence, h->boot, us};
    return at;
}

static void send_identity(head_t *h, uint64_t us)
{
    h->identity_us = us + IDENTITY_US;
    send(h, frame_identity(h->frame, stamp(h, us), &h->config.identity));
}

static void send_health(head_t *h, uint64_t us)
{
    health_t it = {NOT_FITTED_I16, NOT_FITTED_I16, NOT_FITTED_I16, NOT_FITTED_U16, NOT_FITTED_U16,
                   NOT_FITTED_U16, NOT_FITTED_U16, NOT_FITTED_U16, NOT_FITTED_U32, 1,
                   NOT_FITTED_U16, NOT_FITTED_U16, 0, SKEW_UNKNOWN};
    uint64_t since = us - h->travel_us;
    if (h->travel_us != 0 && since > 0) {
        /* 1/65,536 turns over microseconds to rpm x 10: 600,000,000 / 65,536 = 9,155.27 */
        uint64_t rpm = (uint64_t)h->turns_x256 * 600000000ull / 65536ull / since;
        h->rpm_x10 = rpm > 0xFFFEu ? 0xFFFEu : (uint16_t)rpm;
        it.rpm_x10 = h->rpm_x10;
    }
    h->travel_us = us;
    h->turns_x256 = 0;
    it.lost = h->lost;
    it.jitter_us = h->largest_jitter_us;
    h->largest_jitter_us = 0;
    if (h->health) {
        h->health(&it);
    }
    h->health_us = us + HEALTH_US;
    send(h, frame_health(h->frame, stamp(h, us), &it));
}

/* Bursts are off while the shaft is slow or stands, for an hour after, and in the first hour. */
static uint8_t sending(head_t *h, uint64_t us)
{
    const head_config_t *c = &h->config;
    if (c->burst_us == 0 || c->period_us <= c->burst_us || us < h->slow_us || us < SLOW_US) {
        return 1;
    }
    return us % c->period_us < c->burst_us;
}

static void drop(head_t *h, uint32_t n)
{
    h->tail += n;
}

static void send_samples(head_t *h)
{
    static sample_t block[SAMPLES_MAX];
    for (uint32_t frames = 0; frames <= HEAD_RING / 2; frames++) {
        uint32_t ready = 0, waiting = h->head - h->tail;
        const slot_t *first = &h->ring[h->tail % HEAD_RING];
        while (ready < waiting && ready < h->config.block) {
            const slot_t *slot = &h->ring[(h->tail + ready) % HEAD_RING];
            if (slot->missing || slot->valid != first->valid) {
                break;
            }
            block[ready++] = slot->s;
        }
        /* A frame has one set of validity bits: where they change it ends early. */
        uint8_t changes = ready > 0 && ready < waiting && !h->ring[(h->tail + ready) % HEAD_RING].missing;
        if (ready == 0 || (ready < h->config.block && !changes)) {
            return;
        }
        size_t n = frame_samples(h->frame, stamp(h, first->us), h->config.identity.interval_ns, first->valid, block,
                                 (uint16_t)ready);
        if (!send(h, n)) {
            h->lost = h->lost > 0xFFFEu - ready ? 0xFFFEu : (uint16_t)(h->lost + ready);
        }
        drop(h, ready);
    }
}

/* Once a second, in a pause as well: an engine that slows down must not wait for the next burst to be seen. */
static void watch_speed(head_t *h, uint64_t us)
{
    if (us - h->watched_us < HEALTH_US) {
        return;
    }
    uint32_t travel = h->watched_x256;
    h->watched_x256 = 0;
    if ((uint64_t)travel * 600000000ull / 65536ull / (us - h->watched_us) < SLOW_RPM_X10) {
        h->slow_us = us + SLOW_US;
    }
    h->watched_us = us;
}

void head_poll(head_t *h, uint64_t us)
{
    watch_speed(h, us);
    uint8_t now = sending(h, us);
    if (now && !h->in_burst) {
        /* A burst begins with a health frame, so that its turns tell of the pause. */
        send_health(h, us);
    }
    h->in_burst = now;
    if (us >= h->identity_us && (now || h->identity_us == 0)) {
        send_identity(h, us);
    }
    if (now) {
        send_samples(h);
    } else {
        drop(h, h->head - h->tail);
    }
    if (us >= h->health_us) {
        if (now || h->health_us == 0) {
            send_health(h, us);
        }
    }
}

int head_byte(head_t *h)
{
    if (h->out_head == h->out_tail) {
        return -1;
    }
    return h->out[h->out_tail++ % HEAD_OUT];
}
