#include "quad.h"

/* Old state in bits 3..2, new state in bits 1..0. 2 = illegal. A leads B: 00 -> 10 -> 11 -> 01 -> 00 counts up. */
static const int8_t STEP[16] = {0, -1, 1, 2, 1, 0, 2, -1, -1, 2, 0, 1, 2, 1, -1, 0};

void quad_init(quad_t *q, int32_t counts, uint8_t has_index, uint8_t ab)
{
    *q = (quad_t){0};
    q->counts = counts < 4 ? 4 : counts > 65536 ? 65536 : counts;
    q->has_index = has_index;
    q->known = !has_index;
    q->ab = ab & 3u;
}

static int32_t within(int32_t v, int32_t n)
{
    v %= n;
    return v < 0 ? v + n : v;
}

void quad_edge(quad_t *q, uint8_t ab)
{
    int8_t step = STEP[((q->ab & 3u) << 2) | (ab & 3u)];
    q->ab = ab & 3u;
    if (step == 2) {
        q->illegal++;
        q->known = !q->has_index;
        return;
    }
    q->travel += step;
    q->count += step;
    /* Kept within a turn, so that years of running do not overflow it. */
    if (q->count >= q->counts) {
        q->count -= q->counts;
    } else if (q->count < 0) {
        q->count += q->counts;
    }
}

void quad_index(quad_t *q)
{
    int32_t off = within(q->count + q->counts / 2, q->counts) - q->counts / 2;
    if (!q->has_index) {
        return;
    }
    if (q->referred && off >= -QUAD_INDEX_WIDTH && off <= QUAD_INDEX_WIDTH) {
        /* Where it was: the count is kept, so that turning to and fro at the index moves nothing. */
        q->known = 1;
        return;
    }
    if (q->referred && q->slips < 0xFFFEu) {
        q->slips++;
    }
    q->count = 0;
    q->known = q->referred = 1;
}

uint16_t quad_angle(const quad_t *q)
{
    uint32_t c = (uint32_t)within(q->count, q->counts);
    return (uint16_t)((c * 65536ull + (uint32_t)q->counts / 2) / (uint32_t)q->counts);
}

uint32_t quad_turns(const quad_t *q)
{
    int64_t t = q->travel < 0 ? -q->travel : q->travel;
    return (uint32_t)(t / q->counts);
}
