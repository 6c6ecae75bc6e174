/* Pick-ups on a toothed wheel, or on marks of a shaft: time stamps of passing teeth, interpolated to the sampling
   instants. The wheel has `marks` equally spaced teeth; one turn mark, on a pick-up of its own, says which is the first.

   The position between two teeth is known only when the later one has come, so a sample waits for it. The wheel's own
   spacing errors are learned at steady speed; a learned error that changes is counted. */
#ifndef CAMDRIFT_PICKUP_H
#define CAMDRIFT_PICKUP_H

#include <stdint.h>

#define PICKUP_MARKS_MAX 192
#define PICKUP_WAITING 448 /* samples that may wait for a tooth */

typedef struct {
    uint16_t marks;
    uint16_t next;                         /* the tooth that comes next, once the turn mark was seen */
    uint8_t known;                         /* the turn mark was seen, and teeth have come at a likely pace since */
    uint8_t seen_turn;                     /* the turn mark was seen once */
    uint8_t fresh;                         /* it was seen since the last first tooth: each turn must have its own */
    uint32_t last_us;                      /* time of the last tooth */
    uint32_t turn_us;                      /* time of the first tooth of this turn */
    uint32_t last_turn_us;                 /* how long the last whole turn took */
    uint32_t turns;
    uint16_t changed;                      /* teeth whose learned error has changed */
    uint16_t slips;                        /* turn marks that came at another tooth than before */
    uint16_t learned;                      /* turns learned from */
    uint32_t stamp_us[PICKUP_MARKS_MAX];   /* this turn's teeth, since its first */
    int32_t error[PICKUP_MARKS_MAX];       /* of each tooth's place, in 1/256 of a binary degree (65,536 a turn) */
    uint32_t wait_us[PICKUP_WAITING];      /* sampling instants that wait for a tooth */
    uint32_t wait_id[PICKUP_WAITING];
    uint16_t waiting;
} pickup_t;

/* What a sample's angle turned out to be. */
typedef struct {
    uint32_t id;
    uint16_t angle;
    uint8_t valid;
} pickup_angle_t;

void pickup_init(pickup_t *p, uint16_t marks);

/* A tooth passed at `us`. Angles of samples that waited for it are written to `out`, at most PICKUP_WAITING; returns
   how many. */
uint16_t pickup_tooth(pickup_t *p, uint32_t us, pickup_angle_t *out);

/* The turn mark passed: the next tooth is the first. */
void pickup_turn(pickup_t *p);

/* The shaft turns astern: marks come backwards, so nothing is known until they come forwards for a turn. */
void pickup_astern(pickup_t *p);

/* A sample was taken at `us`; its angle follows with the next tooth. When too many wait, the oldest is given up: it is
   written to `out` as not valid; returns 0 or 1. */
uint16_t pickup_sample(pickup_t *p, uint32_t us, uint32_t id, pickup_angle_t *out);

#endif
