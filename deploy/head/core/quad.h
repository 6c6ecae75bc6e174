/* A quadrature encoder with index: counts every edge, checks the index, counts slips. */
#ifndef CAMDRIFT_QUAD_H
#define CAMDRIFT_QUAD_H

#include <stdint.h>

/* The index pulse is about a count wide, and is met at its other edge when the shaft turns the other way. */
#define QUAD_INDEX_WIDTH 2

typedef struct {
    int32_t counts;     /* counts in one turn: four times the lines */
    int32_t count;      /* counts since the start, or since the index once it has been seen */
    int64_t travel;     /* counts since the start, never set back: whole turns come from it */
    uint32_t illegal;   /* both channels changed at once: an edge was missed */
    uint16_t slips;     /* times the index came at another count than before */
    uint8_t ab;         /* the last state of the two channels */
    uint8_t has_index;  /* an index is wired */
    uint8_t referred;   /* the index has been seen */
    uint8_t known;      /* the angle can be used: no edge was missed since the index, or there is no index */
} quad_t;

/* `counts`: 4 to 65,536 in one turn. `ab`: state of the channels at the start (A in bit 1, B in bit 0). */
void quad_init(quad_t *q, int32_t counts, uint8_t has_index, uint8_t ab);

/* A channel has changed; `ab` is the new state. An illegal step makes the angle unknown until the next index. */
void quad_edge(quad_t *q, uint8_t ab);

/* The index has come. The angle is referred to it from now on; at another count than before it is a slip. */
void quad_index(quad_t *q);

/* Binary angle, 65,536 = one turn, growing in the direction in which A leads B. */
uint16_t quad_angle(const quad_t *q);

/* Whole turns since the start, either direction. */
uint32_t quad_turns(const quad_t *q);

#endif
