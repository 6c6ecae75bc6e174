#include "shafts.h"

void shafts_init(shafts_t *s, uint16_t crank_teeth, uint16_t cam_marks)
{
    *s = (shafts_t){0};
    s->has_crank = crank_teeth > 0;
    s->has_cam = cam_marks > 0;
    pickup_init(&s->crank, crank_teeth);
    pickup_init(&s->cam, cam_marks);
}

void shafts_edge(shafts_t *s, uint32_t us, uint8_t what)
{
    if (s->in - s->out >= EDGES) {
        if (s->lost < 0xFFFEu) {
            s->lost++;
        }
        return;
    }
    s->ring[s->in % EDGES] = (edge_t){us, what};
    s->in = s->in + 1u;
}

static void hand_on(head_t *h, uint8_t is_cam, const pickup_angle_t *angles, uint16_t n)
{
    for (uint16_t i = 0; i < n; i++) {
        if (is_cam) {
            head_cam(h, angles[i].id, angles[i].angle, angles[i].valid);
        } else {
            head_crank(h, angles[i].id, angles[i].angle, angles[i].valid);
        }
    }
}

/* A tooth: the samples up to its time lie between it and the one before. */
static void tooth(pickup_t *p, head_t *h, uint32_t *fed, uint8_t is_cam, uint32_t us)
{
    static pickup_angle_t angles[PICKUP_WAITING];
    if (*fed - h->tail > h->head - h->tail) {
        *fed = h->tail; /* what was given up or dropped meanwhile waits no more */
    }
    while (*fed != h->head && (int32_t)(us - (uint32_t)h->ring[*fed % HEAD_RING].us) >= 0) {
        hand_on(h, is_cam, angles, pickup_sample(p, (uint32_t)h->ring[*fed % HEAD_RING].us, *fed, angles));
        *fed = *fed + 1u;
    }
    hand_on(h, is_cam, angles, pickup_tooth(p, us, angles));
}

void shafts_poll(shafts_t *s, head_t *h)
{
    uint32_t due = s->in - s->out;
    for (uint32_t i = 0; i < due; i++) {
        edge_t e = s->ring[s->out % EDGES];
        uint8_t is_cam = (e.what & 3u) >= CAM_TOOTH;
        pickup_t *p = is_cam ? &s->cam : &s->crank;
        s->out = s->out + 1u;
        if (e.what & ASTERN) {
            pickup_astern(p);
        }
        if (e.what & 1u) {
            pickup_turn(p);
        } else {
            tooth(p, h, is_cam ? &s->fed_cam : &s->fed_crank, is_cam, e.us);
        }
    }
    uint32_t waiting = h->head - h->tail;
    for (uint32_t n = SHAFTS_WAIT; n < waiting; n++) {
        uint32_t id = h->head - 1u - n;
        if (s->has_crank) {
            head_crank(h, id, 0, 0);
        }
        if (s->has_cam) {
            head_cam(h, id, 0, 0);
        }
    }
}
