/* Pick-ups between the interrupts and the head: pulses are stamped and queued by the interrupt, and joined with the
   latched samples in order of time by the main loop. One shaft, both or none has pick-ups; an encoder's angle is latched
   with the sample and does not come here.

   One caller of `shafts_edge` (the pulses' interrupt), one of `shafts_poll` (the main loop); no locks. */
#ifndef CAMDRIFT_SHAFTS_H
#define CAMDRIFT_SHAFTS_H

#include "head.h"
#include "pickup.h"

#define EDGES 256u         /* pulses between two rounds of the main loop; 208 come in a second at 104 rpm */
#define SHAFTS_WAIT 400u   /* samples that wait for a pulse, 0.8 s at 500 Hz: with 12 marks down to 6 rpm */

enum { CRANK_TOOTH = 0, CRANK_TURN = 1, CAM_TOOTH = 2, CAM_TURN = 3, ASTERN = 4 };

typedef struct {
    uint32_t us;
    uint8_t what;
} edge_t;

typedef struct {
    pickup_t crank, cam;
    uint8_t has_crank, has_cam;
    edge_t ring[EDGES];
    volatile uint32_t in, out;
    uint16_t lost;               /* pulses for which the ring had no room */
    uint32_t fed_crank, fed_cam; /* the next sample that waits */
} shafts_t;

/* `crank_teeth`, `cam_marks`: 0 where the shaft has an encoder. */
void shafts_init(shafts_t *s, uint16_t crank_teeth, uint16_t cam_marks);

/* A pulse passed at `us`: one of the names above, with ASTERN where the second tooth pick-up says so. */
void shafts_edge(shafts_t *s, uint32_t us, uint8_t what);

/* Give the samples that wait in `h` their angles, as far as pulses have come; those that waited too long get none. */
void shafts_poll(shafts_t *s, head_t *h);

#endif
