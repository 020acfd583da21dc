/* A box on a PC, for trying out: what it sends and what it puts out is kept in memory. */
#ifndef LIFT_PROBE_HOST_H
#define LIFT_PROBE_HOST_H

#include "probe.h"

typedef struct lift_box_t lift_box_t;

/* A box as after power-up, null where there is no memory; and its end. */
lift_box_t *lift_box_new(void);
void lift_box_free(lift_box_t *box);

/* Bytes came. Time goes on up to what is queued: no moment is missed in virtual time. */
void lift_box_receive(lift_box_t *box, const uint8_t *bytes, int32_t count);

/* Up to `most` bytes of what it sent, or of what it put out (lift_probe_record_t, one after the other), oldest
 * first; how many. They are forgotten. */
int32_t lift_box_sent(lift_box_t *box, uint8_t *to, int32_t most);
int32_t lift_box_played(lift_box_t *box, uint8_t *to, int32_t most);

/* Whether the run is over; and how many edges still have room. */
int32_t lift_box_over(const lift_box_t *box);
int32_t lift_box_room(const lift_box_t *box);

/* An edge at a moment since RUN. */
void lift_box_edge(lift_box_t *box, uint32_t at, uint8_t line);

#endif
