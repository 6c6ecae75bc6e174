#include "pickup.h"

#define LEARN_TURNS 64u    /* the share of a new turn in what is learned falls to one in so many */
#define STEADY_PART 64     /* a turn that differs by more than 1/64 from the one before teaches nothing */
#define CHANGED_UNITS 4660 /* a tooth that moved by 0.1 degree: 0.1 / 360 * 65,536 * 256 */
#define CHANGED_MARKS 48u  /* with fewer the engine's own ripple, which changes with its load, looks like moved marks */

void pickup_init(pickup_t *p, uint16_t marks)
{
    *p = (pickup_t){0};
    p->marks = marks < 1 ? 1 : marks > PICKUP_MARKS_MAX ? PICKUP_MARKS_MAX : marks;
}

/* Where tooth `k` stands, in 1/256 of a binary degree. */
static int64_t place(const pickup_t *p, uint16_t k)
{
    return (int64_t)k * 16777216 / p->marks + p->error[k];
}

/* By how much a tooth has moved against both its neighbours, 0 where it has not: ripple moves all of them nearly alike. */
static int32_t moved(const pickup_t *p, const int32_t *off, uint16_t k)
{
    if (p->learned < LEARN_TURNS || p->marks < CHANGED_MARKS) {
        return 0;
    }
    int32_t a = off[k] - off[k == 0 ? p->marks - 1u : k - 1u], b = off[k] - off[k + 1u == p->marks ? 0 : k + 1u];
    uint8_t beyond = (a > CHANGED_UNITS && b > CHANGED_UNITS) || (a < -CHANGED_UNITS && b < -CHANGED_UNITS);
    return beyond ? a / 2 + b / 2 : 0;
}

static void learn(pickup_t *p, uint32_t turn_us)
{
    uint32_t before = p->last_turn_us, change = before > turn_us ? before - turn_us : turn_us - before;
    uint16_t share = p->learned < LEARN_TURNS ? (uint16_t)(p->learned + 1u) : LEARN_TURNS;
    if (before == 0 || change > turn_us / STEADY_PART) {
        return;
    }
    static int32_t off[PICKUP_MARKS_MAX];
    for (uint16_t k = 0; k < p->marks; k++) {
        int64_t nominal = (int64_t)k * 16777216 / p->marks;
        off[k] = (int32_t)((int64_t)p->stamp_us[k] * 16777216 / turn_us - nominal - p->error[k]);
    }
    int64_t mean = 0;
    for (uint16_t k = 0; k < p->marks; k++) {
        int32_t by = moved(p, off, k);
        if (by) {
            p->changed += p->changed < 0xFFFEu;
        }
        /* What has moved is learned at once, so that it counts once. */
        p->error[k] += by ? by : off[k] / share;
        mean += p->error[k];
    }
    /* Only the spacing can be learned, not where the wheel stands as a whole. */
    for (uint16_t k = 0; k < p->marks; k++) {
        p->error[k] -= (int32_t)(mean / p->marks);
    }
    if (p->learned < LEARN_TURNS) {
        p->learned++;
    }
}

static uint16_t hand_out(pickup_t *p, uint32_t us, uint16_t from, pickup_angle_t *out)
{
    uint32_t span = us - p->last_us;
    int64_t a = place(p, from), b = from + 1u == p->marks ? place(p, 0) + 16777216 : place(p, (uint16_t)(from + 1u));
    uint16_t n = p->waiting;
    for (uint16_t i = 0; i < n; i++) {
        uint32_t into = p->wait_us[i] - p->last_us;
        int64_t at = a + (span == 0 ? 0 : (b - a) * (int64_t)into / (int64_t)span);
        out[i].id = p->wait_id[i];
        out[i].angle = (uint16_t)(((at + 128) >> 8) & 0xFFFF);
        out[i].valid = p->known && into <= span;
    }
    p->waiting = 0;
    return n;
}

uint16_t pickup_tooth(pickup_t *p, uint32_t us, pickup_angle_t *out)
{
    uint16_t k = p->next, from = k == 0 ? (uint16_t)(p->marks - 1u) : (uint16_t)(k - 1u);
    uint16_t n = hand_out(p, us, from, out);
    if (k == 0) {
        uint32_t turn_us = us - p->turn_us;
        if (p->known) {
            learn(p, turn_us);
            p->last_turn_us = turn_us;
            p->turns++;
        }
        p->turn_us = us;
        p->known = p->fresh;
        p->fresh = 0;
    }
    p->stamp_us[k] = us - p->turn_us;
    p->last_us = us;
    p->next = k + 1u == p->marks ? 0 : (uint16_t)(k + 1u);
    return n;
}

void pickup_turn(pickup_t *p)
{
    if (p->seen_turn && p->next != 0) {
        if (p->slips < 0xFFFEu) {
            p->slips++;
        }
        p->known = 0;
    }
    p->seen_turn = p->fresh = 1;
    p->next = 0;
}

void pickup_astern(pickup_t *p)
{
    p->known = p->seen_turn = p->fresh = 0;
}

uint16_t pickup_sample(pickup_t *p, uint32_t us, uint32_t id, pickup_angle_t *out)
{
    uint16_t given = 0;
    if (p->waiting == PICKUP_WAITING) {
        out->id = p->wait_id[0];
        out->angle = 0;
        out->valid = 0;
        given = 1;
        for (uint16_t i = 1; i < PICKUP_WAITING; i++) {
            p->wait_us[i - 1u] = p->wait_us[i];
            p->wait_id[i - 1u] = p->wait_id[i];
        }
        p->waiting--;
    }
    p->wait_us[p->waiting] = us;
    p->wait_id[p->waiting] = id;
    p->waiting++;
    return given;
}
