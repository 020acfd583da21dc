/* The device's side of the serial protocol: bytes in, bytes out. The project's developer documentation
 * states it byte by byte ("The serial protocol").
 *
 * What it needs: the core (core/liftlatch.h) and nothing else; no heap, no clock of its own. All of its state
 * is one ll_link_t, whose size follows from LL_LINK_LARGEST and LL_LINK_WINDOW; a machine with little memory
 * sets them to 128 and 1.
 *
 * How it is used; `port` says how bytes leave:
 *
 *     static ll_controller_t controller;
 *     static ll_link_t link;
 *
 *     ll_init(&controller);
 *     ll_load(&controller, the stored image, LL_IMAGE_BYTES);    // where there is one
 *     ll_link_init(&link, &controller, &port);
 *     for (;;) {
 *         ll_link_time(&link, milliseconds since power-up);
 *         ll_link_receive(&link, bytes, count);                  // what has come since
 *         if (link.restart) { let the answer leave, then restart as from power-up }
 *         put out ll_link_reduction(&link), ll_link_retard(&link);
 *     }
 *
 * A firmware whose ticks come from sensors of its own calls ll_step itself, and ll_link_show after it.
 *
 * Invariants: a request is carried out once only, in the order of the sequence numbers, and its answer kept
 * until LL_LINK_WINDOW later ones were carried out; one of a foreign session, or after a missing one, changes
 * nothing.
 */
#ifndef LL_LINK_H
#define LL_LINK_H

#include "../core/liftlatch.h"
#include "frame.h"

/* How many answers are kept for repeating, 1 to 255. */
#ifndef LL_LINK_WINDOW
#define LL_LINK_WINDOW 8
#endif

enum { LL_LINK_PROTOCOL = 1, LL_FIRMWARE_BYTES = 24 };

/* What the link asks of the machine. `self` is handed to each of them. */
typedef struct {
    void *self;
    const char *firmware; /* what the firmware calls itself, up to 24 letters of ASCII */

    ll_write_t write;

    /* Keep LL_IMAGE_BYTES of a sound image in another place than the active one. Where it lies now, at a
     * multiple of 4, for as long as it is active; null if it could not be kept. */
    const uint8_t *(*keep)(void *self, const uint8_t *image);

    /* A tick or an event begins; it has ended: nanoseconds since, 0 where that is not measured. */
    void (*begin)(void *self);
    uint32_t (*end)(void *self);

    /* Most bytes of stack ever used; 0 where that is not measured. */
    uint32_t (*stack_bytes)(void *self);
} ll_port_t;

typedef struct {
    uint8_t bytes[LL_LINK_LARGEST + LL_CRC_BYTES];
    int32_t count; /* of the payload */
} ll_answer_t;

typedef struct {
    ll_controller_t *controller;
    const ll_port_t *port;
    bool restart;                      /* a host asked for it; nothing more is read */
    bool started;                      /* START came since the image became active */
    bool fed;                          /* and a step since */
    bool stalled;                      /* and nothing for stall_ms: the outputs are in the safe state */
    int32_t place;                     /* 0..cylinders-1: whose fuel is due next, in firing order */
    uint16_t session;                  /* of the conversation; 0 none yet */
    uint16_t expected;                 /* sequence number of the next request */
    int32_t next_answer;               /* 0..LL_LINK_WINDOW-1: where its answer goes */
    int32_t answers_kept;              /* 0..LL_LINK_WINDOW */
    uint16_t stream_every;             /* ticks from one that is shown to the next; 0 none */
    uint16_t stream_wait;              /* ticks until the next */
    uint16_t stream_number;            /* of the next message shown */
    uint32_t now_ms;
    uint32_t fed_ms;                   /* when the last step came */
    uint32_t ticks;                    /* ticks stepped; this and the counters below stay at their greatest */
    uint32_t worst_tick_ns;
    uint32_t worst_event_ns;
    uint16_t malformed;                /* good frames that make no request */
    uint16_t lost_bytes;               /* bytes that the port lost; counted by whoever reads it */
    uint16_t repeated;                 /* requests answered again */
    uint16_t gaps;                     /* requests out of order */
    uint16_t late;                     /* ticks that took longer to work out than a tick lasts */
    uint16_t stalls;                   /* how often the outputs went to the safe state */
    ll_decoder_t in;
    ll_answer_t answers[LL_LINK_WINDOW];
    union {
        uint32_t at_a_multiple_of_4;
        uint8_t bytes[LL_IMAGE_BYTES]; /* an image as it comes, piece by piece */
    } pieces;
} ll_link_t;

/* A link as after power-up. Both pointers must stay good; the controller may have an image or none. */
void ll_link_init(ll_link_t *link, ll_controller_t *controller, const ll_port_t *port);

/* Time goes on; wraps. To be called before ll_link_receive, some times in each calibrated stall_ms. */
void ll_link_time(ll_link_t *link, uint32_t now_ms);

/* Bytes came; whole requests among them are carried out and answered. Worst case: the ticks of one frame, the
 * digest, and the CRC of what came and goes. ll_load, ll_step and ll_reset are called from here. */
void ll_link_receive(ll_link_t *link, const uint8_t *bytes, size_t count);

/* What is to act on the engine: the command, or the calibrated safe state when the host has fallen silent. */
int32_t ll_link_reduction(const ll_link_t *link);
int32_t ll_link_retard(const ll_link_t *link);

/* A tick that was stepped from the machine's own inputs: sent where a host wants to see it. */
void ll_link_show(ll_link_t *link, const ll_inputs_t *in, int32_t events);

#endif
