/* The box on the bench: plays a run to a controller that runs by itself, and captures what that one does to
 * spark and injectors. PROTOCOL.md beside this file states its requests byte by byte.
 *
 * What it needs: frame.h of the link (COBS and CRC), nothing of the core; no heap, no clock of its own. All of
 * its state is one lift_probe_t, whose size follows from LIFT_PROBE_RECORDS and LIFT_PROBE_EDGES.
 *
 * How it is used; `port` says how bytes leave and how things are put out:
 *
 *     lift_probe_init(&probe, &port);
 *     for (;;) {
 *         lift_probe_receive(&probe, bytes, count);             // what has come since
 *         lift_probe_work(&probe, microseconds of a timer);     // more often than LIFT_PROBE_LATE_US
 *     }
 *     in the capture interrupt:   lift_probe_edge(&probe, microseconds of that timer, line);
 *
 * Invariants: what is put out is what was queued, each in the order of time; a request is carried out once, and
 * its answer kept until the next one was carried out. Only lift_probe_edge may interrupt the others.
 */
#ifndef LIFT_PROBE_H
#define LIFT_PROBE_H

#include "../link/frame.h"

#ifdef __cplusplus
extern "C" {
#endif

/* Records that wait to be played, and edges that wait to be fetched; powers of 2 up to 16384. */
#ifndef LIFT_PROBE_RECORDS
#define LIFT_PROBE_RECORDS 1024
#endif
#ifndef LIFT_PROBE_EDGES
#define LIFT_PROBE_EDGES 1024
#endif

/* What is put out so much after its moment was late. */
#define LIFT_PROBE_LATE_US 50

/* What a record asks for. */
enum {
    LIFT_PROBE_END = 0,     /* the run is over */
    LIFT_PROBE_DAC = 1,     /* value: of the converter, 0..65535 of its full scale */
    LIFT_PROBE_SPEED = 2,   /* extra: so many pulses, value: microseconds from one to the next */
    LIFT_PROBE_SHAFT = 3,   /* the same on the shaft's line */
    LIFT_PROBE_CRANK = 4,   /* one pulse of the crank; extra 1: with one of the cam, as the cycle begins */
    LIFT_PROBE_SWITCHES = 5,/* value: bit 0 speed valid, 1 armed, 2 launch */
    LIFT_PROBE_REDUCTION = 6, /* the outside request's message: value 0.1 %, extra who asks */
    LIFT_PROBE_RETARD = 7   /* and value 0.1 degree; sent with the next REDUCTION */
};

/* Lines that are captured: LIFT_PROBE_INJECTOR + n as the injector of cylinder n (from 1) opens,
 * LIFT_PROBE_COIL + n as its coil fires. */
enum { LIFT_PROBE_INJECTOR = 0, LIFT_PROBE_COIL = 16 };

typedef struct {
    void *self;
    const char *firmware; /* what the box calls itself, up to 24 letters of ASCII */
    lift_write_t write;

    /* Put something out that is due at `at` (microseconds since RUN): one of LIFT_PROBE_DAC and so on; pulses come
     * one by one, with extra 1 and value 0. */
    void (*put)(void *self, uint32_t at, uint8_t what, uint8_t extra, uint16_t value);
} lift_probe_port_t;

typedef struct {
    uint32_t at; /* microseconds since RUN */
    uint8_t what;
    uint8_t extra;
    uint16_t value;
} lift_probe_record_t;

typedef struct {
    uint32_t at; /* microseconds since RUN */
    uint8_t line;
} lift_probe_edge_t;

typedef struct {
    const lift_probe_port_t *port;
    bool running;                /* RUN came, and END was not reached */
    bool over;                   /* END was reached */
    bool empty;                  /* the queue ran empty before END */
    uint16_t late;               /* things put out late; stays at 65535 */
    volatile uint16_t lost;      /* edges for which there was no room */
    uint32_t origin;             /* the timer at RUN */
    uint32_t now;                /* the timer as last told */
    uint32_t latest;             /* of the records queued, the last one's moment */
    uint16_t first, count;       /* of the queue */
    uint16_t session, expected;
    bool answered;               /* `answer` holds the one before `expected` */
    int32_t answer_count;
    volatile uint16_t taken, put; /* edges fetched and captured, counted up and wrapping */
    struct {
        uint32_t at;
        uint16_t gap;
        uint8_t left;
    } train[2];                  /* pulses of speed and shaft under way */
    lift_probe_record_t records[LIFT_PROBE_RECORDS];
    lift_probe_edge_t edges[LIFT_PROBE_EDGES];
    lift_decoder_t in;
    uint8_t answer[LIFT_LINK_LARGEST + LIFT_CRC_BYTES];
} lift_probe_t;

/* A box as after power-up. The port must stay good. */
void lift_probe_init(lift_probe_t *p, const lift_probe_port_t *port);

/* Bytes came; whole requests among them are carried out and answered. */
void lift_probe_receive(lift_probe_t *p, const uint8_t *bytes, size_t count);

/* Time goes on, in microseconds of a timer that wraps: put out what is due. */
void lift_probe_work(lift_probe_t *p, uint32_t now);

/* An edge was captured at that moment of the timer. */
void lift_probe_edge(lift_probe_t *p, uint32_t now, uint8_t line);

#ifdef __cplusplus
}
#endif

#endif
