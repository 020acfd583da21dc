/* The device's side of the serial protocol: bytes in, bytes out. The project's developer documentation
 * states it byte by byte ("The serial protocol").
 *
 * What it needs: the core (core/liftlatch.h) and nothing else; no heap, no clock of its own. All of its state
 * is one lift_link_t, whose size follows from LIFT_LINK_LARGEST and LIFT_LINK_WINDOW; a machine with little
 * memory sets them to 128 and 1.
 *
 * How it is used; `port` says how bytes leave:
 *
 *     static lift_controller_t controller;
 *     static lift_link_t link;
 *
 *     lift_init(&controller);
 *     lift_load(&controller, the stored image, LIFT_IMAGE_BYTES);    // where there is one
 *     lift_link_init(&link, &controller, &port);
 *     for (;;) {
 *         lift_link_time(&link, milliseconds since power-up);
 *         lift_link_receive(&link, bytes, count);                  // what has come since
 *         if (link.restart) { let the answer leave, then restart as from power-up }
 *         put out lift_link_reduction(&link), lift_link_retard(&link);
 *     }
 *     in the interrupt in which a cylinder's fuel is due:   bits = lift_event(&controller, cylinder);
 *
 * A firmware whose ticks come from sensors of its own calls lift_step itself, and lift_link_show after it.
 *
 * Invariants: a request is carried out once only, in the order of the sequence numbers, and its answer kept
 * until LIFT_LINK_WINDOW later ones were carried out; one of a foreign session, or after a missing one,
 * changes nothing. COMMIT, START and RESET are refused while the controller is armed or torque is taken, so
 * that none of them gives torque back.
 *
 * Interrupts: the functions here belong to the task of lift_step. lift_event, lift_spark and lift_acting may
 * interrupt all of them where `lock` and `unlock` of the port are given; liftlatch.h says what may interrupt
 * what.
 */
#ifndef LIFT_LINK_H
#define LIFT_LINK_H

#include "../core/liftlatch.h"
#include "frame.h"

#ifdef __cplusplus
extern "C" {
#endif

/* How many answers are kept for repeating, 1 to 255. */
#ifndef LIFT_LINK_WINDOW
#define LIFT_LINK_WINDOW 8
#endif

/* Version of the link's interface, counted as LIFT_VERSION; the protocol has one of its own. */
#define LIFT_LINK_VERSION 100

enum { LIFT_LINK_PROTOCOL = 1, LIFT_FIRMWARE_BYTES = 24 };

/* What the link asks of the machine. `self` is handed to each of them. */
typedef struct {
    void *self;
    const char *firmware; /* what the firmware calls itself, up to 24 letters of ASCII */

    lift_write_t write;

    /* Keep LIFT_IMAGE_BYTES of a sound image in another place than the active one. Where it lies now, at a
     * multiple of 4, for as long as it is active; null if it could not be kept. */
    const uint8_t *(*keep)(void *self, const uint8_t *image);

    /* A tick or an event begins; it has ended: nanoseconds since, 0 where that is not measured. */
    void (*begin)(void *self);
    uint32_t (*end)(void *self);

    /* Most bytes of stack ever used; 0 where that is not measured. */
    uint32_t (*stack_bytes)(void *self);

    /* Keep away, and let in again, every interrupt that calls the controller (lift_step, lift_event,
     * lift_spark, lift_acting). Called around lift_build, lift_reset and lift_digest, never one within the
     * other; null where no interrupt calls it. */
    void (*lock)(void *self);
    void (*unlock)(void *self);

    bool stores; /* what `keep` keeps is there again after the supply was off */
} lift_port_t;

typedef struct {
    uint8_t bytes[LIFT_LINK_LARGEST + LIFT_CRC_BYTES];
    int32_t count; /* of the payload */
} lift_answer_t;

typedef struct {
    lift_controller_t *controller;
    const lift_port_t *port;
    bool restart;                      /* a host asked for it; nothing more is read */
    bool started;                      /* START came since the image became active */
    bool fed;                          /* and a step since */
    bool stalled;                      /* and nothing for stall_ms: the safe state acts */
    bool older;                        /* a newer image than the active one was kept; set by who reads it */
    int32_t place;                     /* 0..cylinders-1: whose fuel is due next, in firing order */
    uint16_t session;                  /* of the conversation; 0 none yet */
    uint16_t expected;                 /* sequence number of the next request */
    int32_t next_answer;               /* 0..LIFT_LINK_WINDOW-1: where its answer goes */
    int32_t answers_kept;              /* 0..LIFT_LINK_WINDOW */
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
    lift_decoder_t in;
    lift_answer_t answers[LIFT_LINK_WINDOW];
    union {
        uint32_t at_a_multiple_of_4;
        uint8_t bytes[LIFT_IMAGE_BYTES]; /* an image as it comes, piece by piece */
    } pieces;
} lift_link_t;

/* A link as after power-up. Both pointers must stay good; the controller may have an image or none. */
void lift_link_init(lift_link_t *link, lift_controller_t *controller, const lift_port_t *port);

/* Time goes on; wraps. To be called before lift_link_receive, some times in each calibrated stall_ms. */
void lift_link_time(lift_link_t *link, uint32_t now_ms);

/* Bytes came; whole requests among them are carried out and answered. Worst case: the ticks of one frame, the
 * digest, and the CRC of what came and goes. lift_build, lift_step and lift_reset are called from here. */
void lift_link_receive(lift_link_t *link, const uint8_t *bytes, size_t count);

/* What is to act on the engine: the command, or the calibrated safe state when the host has fallen silent.
 * lift_acting gives both of one moment; lift_event goes by the same. */
int32_t lift_link_reduction(const lift_link_t *link);
int32_t lift_link_retard(const lift_link_t *link);

/* A tick that was stepped from the machine's own inputs: sent where a host wants to see it. */
void lift_link_show(lift_link_t *link, const lift_inputs_t *in, int32_t events);

#ifdef __cplusplus
}
#endif

#endif
