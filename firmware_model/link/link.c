/* The device's side of the serial protocol: see link.h. */
#include "link.h"

#include "../core/fixed.h"
#include "../core/image.h"

enum { HELLO = 1, PIECE = 2, COMMIT = 3, START = 4, STEP = 5, STATUS = 6, RESET = 7, STREAM = 8, EVENTS = 9 };
enum { ANSWER = 0x80, TICKS = 0x40, ERROR = 0xFF };
enum {
    NO_SESSION = 1,
    GAP = 2,
    UNKNOWN = 3,
    MALFORMED = 4,
    BEYOND = 5,
    PIECES = 6,
    NO_IMAGE = 7,
    NOT_STARTED = 8,
    TOO_MUCH = 9,
    STORE = 10,
    ACTIVE = 11
};
enum { SPEED_VALID = 1, ARMED = 2, LAUNCH = 4 }; /* switches of a tick */
enum { WANTS_DIGEST = 1, STALLED = 2 };          /* flags of a step */
enum { HAS_DIGEST = 1, HAS_SAFE_STATE = 2, HAS_STREAM = 4, HAS_RESET = 8, HAS_STORE = 16, HAS_STATUS = 32,
    HAS_EVENTS = 64 };                           /* features in the greeting */
enum { OLDER = 1 };                              /* notes in greeting and status */
enum { EVENT_SPARK = 4 };
enum { HEAD_BYTES = 5, STEP_BYTES = 4, STEPPED_BYTES = 12, TICKS_BYTES = 7 };
enum { INPUT_BYTES = 16, OUTPUT_BYTES = 37 };
enum { SMALL_BYTES = HEAD_BYTES + TICKS_BYTES + INPUT_BYTES + OUTPUT_BYTES + LIFT_CRC_BYTES };

typedef char lift_the_largest_frame_is_allowed[LIFT_LINK_LARGEST >= 128 &&
    LIFT_LINK_LARGEST <= 4096 ? 1 : -1];
typedef char lift_the_window_is_allowed[LIFT_LINK_WINDOW >= 1 && LIFT_LINK_WINDOW <= 255 ? 1 : -1];

static uint8_t *put_signed(uint8_t *at, int32_t value) {
    return lift_put16(at, (uint32_t)value);
}

static uint8_t *put_head(uint8_t *at, uint32_t kind, uint16_t session, uint16_t sequence) {
    return lift_put16(lift_put16(lift_put8(at, kind), session), sequence);
}

static uint32_t crc32(const uint8_t *bytes, int32_t count) {
    uint32_t crc = 0xFFFFFFFFU;
    for (int32_t i = 0; i < count; i++) {
        crc = lift_crc32(crc, bytes[i]);
    }
    return crc ^ 0xFFFFFFFFU;
}

static void send(const lift_link_t *link, uint8_t *payload, const uint8_t *end) {
    lift_frame_send(payload, (int32_t)(end - payload), link->port->write, link->port->self);
}

void lift_link_init(lift_link_t *link, lift_controller_t *controller, const lift_port_t *port) {
    uint8_t *bytes = (uint8_t *)link;
    for (size_t i = 0; i < sizeof(*link); i++) {
        bytes[i] = 0;
    }
    link->controller = controller;
    link->port = port;
    lift_decoder_init(&link->in);
}

void lift_link_time(lift_link_t *link, uint32_t now_ms) {
    const lift_image_t *c = link->controller->calibration;
    link->now_ms = now_ms;
    if (!link->fed || link->stalled || c == NULL || c->stall_ms == 0U) {
        return;
    }
    if (now_ms - link->fed_ms >= c->stall_ms) {
        link->stalled = true;
        lift_safe(link->controller);
        lift_count(&link->stalls);
    }
}

int32_t lift_link_reduction(const lift_link_t *link) {
    lift_acting_t now;
    lift_acting(link->controller, &now);
    return now.reduction;
}

int32_t lift_link_retard(const lift_link_t *link) {
    lift_acting_t now;
    lift_acting(link->controller, &now);
    return now.retard;
}

static void lock(const lift_link_t *link) {
    if (link->port->lock != NULL) {
        link->port->lock(link->port->self);
    }
}

static void unlock(const lift_link_t *link) {
    if (link->port->unlock != NULL) {
        link->port->unlock(link->port->self);
    }
}

/* Whether the engine may notice what a request would do: armed, or torque is taken. */
static bool active(const lift_link_t *link) {
    lift_acting_t now;
    lift_acting(link->controller, &now);
    return link->controller->armed != 0 || now.reduction > 0 || now.retard > 0;
}

static uint32_t digest_of(const lift_link_t *link) {
    lock(link);
    uint32_t digest = lift_digest(link->controller);
    unlock(link);
    return digest;
}

/* The outputs wait for the first step of a run. */
static void unfed(lift_link_t *link) {
    link->place = 0;
    link->fed = false;
    link->stalled = false;
}

static uint8_t *put_outputs(uint8_t *at, const lift_outputs_t *out) {
    at = lift_put32(at, (uint32_t)out->hold_left);
    at = put_signed(at, out->height);
    at = put_signed(at, out->rest);
    at = put_signed(at, out->lift);
    at = put_signed(at, out->entry);
    at = put_signed(at, out->progress);
    at = put_signed(at, out->demand);
    at = put_signed(at, out->latched);
    at = put_signed(at, out->retard_demand);
    at = put_signed(at, out->retard_latched);
    at = put_signed(at, out->reduction);
    at = put_signed(at, out->retard);
    at = put_signed(at, out->faults);
    at = put_signed(at, out->out_of_sight_ticks);
    at = put_signed(at, out->elapsed_ms);
    at = lift_put8(at, (uint32_t)out->state);
    at = lift_put8(at, (uint32_t)out->retard_state);
    at = lift_put8(at, (uint32_t)out->reason);
    at = lift_put8(at, (uint32_t)out->askers);
    return lift_put8(at, (uint32_t)out->launched);
}

static void get_inputs(const uint8_t *at, uint16_t tick, lift_inputs_t *in) {
    uint32_t switches = at[14];
    in->tick = tick;
    in->counts = lift_get16(at);
    in->speed = lift_get16(at + 2);
    in->speed_valid = (switches & SPEED_VALID) != 0U;
    in->engine_speed = lift_get16(at + 4);
    in->shaft_speed = lift_get16(at + 6);
    in->armed = (switches & ARMED) != 0U;
    in->launch = (switches & LAUNCH) != 0U;
    in->request_reduction = lift_get16(at + 8);
    in->request_retard = lift_get16(at + 10);
    in->request_reason = lift_get16(at + 12);
}

static uint8_t *put_inputs(uint8_t *at, const lift_inputs_t *in, int32_t events) {
    uint32_t switches = (in->speed_valid ? (uint32_t)SPEED_VALID : 0U) | (in->armed ? (uint32_t)ARMED : 0U) |
                        (in->launch ? (uint32_t)LAUNCH : 0U);
    at = put_signed(at, in->counts);
    at = put_signed(at, in->speed);
    at = put_signed(at, in->engine_speed);
    at = put_signed(at, in->shaft_speed);
    at = put_signed(at, in->request_reduction);
    at = put_signed(at, in->request_retard);
    at = put_signed(at, in->request_reason);
    return lift_put8(lift_put8(at, switches), (uint32_t)events);
}

static void worst(uint32_t *so_far, uint32_t now) {
    if (now > *so_far) {
        *so_far = now;
    }
}

/* One tick, timed. */
static void tick(lift_link_t *link, const lift_inputs_t *in, lift_outputs_t *out) {
    const lift_port_t *port = link->port;
    port->begin(port->self);
    lift_step(link->controller, in);
    lift_outputs(link->controller, out);
    uint32_t took = port->end(port->self);
    worst(&link->worst_tick_ns, took);
    if (took > (uint32_t)link->controller->calibration->tick_us * 1000U) {
        lift_count(&link->late);
    }
    if (link->ticks < UINT32_MAX) {
        link->ticks += 1U;
    }
}

/* The fuel of the next cylinder is due, timed; what the answer says of it. */
static uint32_t event(lift_link_t *link) {
    const lift_port_t *port = link->port;
    const lift_image_t *c = link->controller->calibration;
    int32_t cylinder = c->firing_order[link->place];
    link->place = link->place + 1 < c->cylinders ? link->place + 1 : 0;
    port->begin(port->self);
    int32_t bits = lift_event(link->controller, cylinder);
    int32_t spark = lift_spark(link->controller, cylinder);
    worst(&link->worst_event_ns, port->end(port->self));
    return (uint32_t)bits | (spark ? (uint32_t)EVENT_SPARK : 0U);
}

/* What each request does: its answer from `at` on, and the answer's end; null with `reason` set if it was not
 * carried out. `body` has `count` bytes. */

static uint8_t *piece(lift_link_t *link, const uint8_t *body, int32_t count, uint8_t *at, uint8_t *reason) {
    if (count <= 2) {
        *reason = MALFORMED;
        return NULL;
    }
    int32_t offset = lift_get16(body);
    if (offset + count - 2 > LIFT_IMAGE_BYTES) {
        *reason = BEYOND;
        return NULL;
    }
    for (int32_t i = 2; i < count; i++) {
        link->pieces.bytes[offset + i - 2] = body[i];
    }
    return at;
}

static uint8_t *commit(lift_link_t *link, const uint8_t *body, int32_t count, uint8_t *at, uint8_t *reason) {
    if (count != 6) {
        *reason = MALFORMED;
        return NULL;
    }
    if (active(link)) {
        *reason = ACTIVE;
        return NULL;
    }
    int32_t length = lift_get16(body);
    if (length > LIFT_IMAGE_BYTES) {
        *reason = BEYOND;
        return NULL;
    }
    const uint8_t *image = link->pieces.bytes;
    if (crc32(image, length) != lift_get32(body + 2)) {
        *reason = PIECES;
        return NULL;
    }
    const lift_image_t *sound = NULL;
    int32_t verdict = lift_image_read(image, (size_t)length, &sound);
    if (verdict == LIFT_IMAGE_OK) {
        const uint8_t *kept = link->port->keep(link->port->self, image);
        if (kept == NULL) {
            *reason = STORE;
            return NULL;
        }
        verdict = lift_image_read(kept, LIFT_IMAGE_BYTES, &sound);
        lock(link);
        /* Storing takes its time: a firmware that runs by itself may have been armed in it. */
        bool busy = active(link);
        if (!busy && verdict == LIFT_IMAGE_OK) {
            lift_build(link->controller, sound);
        }
        unlock(link);
        link->older = busy || verdict != LIFT_IMAGE_OK;
        if (busy) {
            *reason = ACTIVE;
            return NULL;
        }
        link->started = false;
        unfed(link);
    }
    return lift_put8(at, (uint32_t)verdict);
}

static uint8_t *start(lift_link_t *link, int32_t count, uint8_t *at, uint8_t *reason) {
    if (count != 0) {
        *reason = MALFORMED;
        return NULL;
    }
    if (link->controller->calibration == NULL) {
        *reason = NO_IMAGE;
        return NULL;
    }
    lock(link);
    bool busy = active(link);
    if (!busy) {
        lift_reset(link->controller);
    }
    unlock(link);
    if (busy) {
        *reason = ACTIVE;
        return NULL;
    }
    link->started = true;
    unfed(link);
    return lift_put32(at, digest_of(link));
}

static uint8_t *step(lift_link_t *link, const uint8_t *body, int32_t count, uint8_t *at, uint8_t *reason) {
    int32_t ticks = count >= STEP_BYTES ? body[2] : 0;
    if (ticks == 0 || count != STEP_BYTES + ticks * INPUT_BYTES) {
        *reason = MALFORMED;
        return NULL;
    }
    if (!link->started) {
        *reason = NOT_STARTED;
        return NULL;
    }
    const uint8_t *inputs = body + STEP_BYTES;
    int32_t events = 0;
    for (int32_t i = 0; i < ticks; i++) {
        events += inputs[i * INPUT_BYTES + INPUT_BYTES - 1];
    }
    if (HEAD_BYTES + STEPPED_BYTES + ticks * OUTPUT_BYTES + events > LIFT_LINK_LARGEST) {
        *reason = TOO_MUCH;
        return NULL;
    }
    uint16_t first = lift_get16(body);
    uint32_t flags = body[3] & (uint32_t)WANTS_DIGEST;
    uint8_t *to = at + STEPPED_BYTES;
    uint8_t *event_to = to + ticks * OUTPUT_BYTES;
    for (int32_t i = 0; i < ticks; i++) {
        const uint8_t *from = inputs + i * INPUT_BYTES;
        lift_inputs_t in;
        lift_outputs_t out;
        get_inputs(from, (uint16_t)(first + (uint32_t)i), &in);
        tick(link, &in, &out);
        to = put_outputs(to, &out);
        for (int32_t due = from[INPUT_BYTES - 1]; due > 0; due--) {
            event_to = lift_put8(event_to, event(link));
        }
    }
    uint32_t digest = flags ? digest_of(link) : 0U;
    if (link->stalled) {
        flags |= (uint32_t)STALLED;
    }
    link->stalled = false;
    link->fed = true;
    link->fed_ms = link->now_ms;
    at = lift_put32(lift_put32(at, crc32(body, count)), digest);
    (void)lift_put8(lift_put8(lift_put16(at, (uint32_t)events), (uint32_t)ticks), flags);
    return event_to;
}

static uint8_t *more_events(lift_link_t *link, const uint8_t *body, int32_t count, uint8_t *at,
                            uint8_t *reason) {
    int32_t due = count == 2 ? lift_get16(body) : 0;
    if (due == 0) {
        *reason = MALFORMED;
        return NULL;
    }
    if (!link->started) {
        *reason = NOT_STARTED;
        return NULL;
    }
    if (HEAD_BYTES + due > LIFT_LINK_LARGEST) {
        *reason = TOO_MUCH;
        return NULL;
    }
    for (; due > 0; due--) {
        at = lift_put8(at, event(link));
    }
    return at;
}

static uint8_t *status(lift_link_t *link, int32_t count, uint8_t *at, uint8_t *reason) {
    const lift_decoder_t *in = &link->in;
    if (count != 0) {
        *reason = MALFORMED;
        return NULL;
    }
    at = lift_put32(at, link->ticks);
    at = lift_put32(at, link->worst_tick_ns);
    at = lift_put32(at, link->worst_event_ns);
    at = lift_put32(at, link->port->stack_bytes(link->port->self));
    at = lift_put16(lift_put16(lift_put16(lift_put16(at, in->bad_crc), in->bad_stuffing), in->bad_long),
                    in->bad_short);
    at = lift_put16(lift_put16(lift_put16(lift_put16(at, link->malformed), link->lost_bytes), link->repeated),
                    link->gaps);
    at = lift_put16(lift_put16(at, link->late), link->stalls);
    lift_acting_t now;
    lift_acting(link->controller, &now);
    at = put_signed(put_signed(at, now.reduction), now.retard);
    return lift_put8(lift_put8(at, (uint32_t)now.reason), link->older ? (uint32_t)OLDER : 0U);
}

static uint8_t *show(lift_link_t *link, const uint8_t *body, int32_t count, uint8_t *at, uint8_t *reason) {
    if (count != 2) {
        *reason = MALFORMED;
        return NULL;
    }
    link->stream_every = lift_get16(body);
    link->stream_wait = 0;
    link->stream_number = 0;
    return at;
}

static uint8_t *carry_out(lift_link_t *link, uint32_t kind, const uint8_t *body, int32_t count, uint8_t *at,
                          uint8_t *reason) {
    switch (kind) {
    case PIECE:
        return piece(link, body, count, at, reason);
    case COMMIT:
        return commit(link, body, count, at, reason);
    case START:
        return start(link, count, at, reason);
    case STEP:
        return step(link, body, count, at, reason);
    case STATUS:
        return status(link, count, at, reason);
    case RESET:
        *reason = count == 0 ? ACTIVE : MALFORMED;
        link->restart = count == 0 && !active(link);
        return link->restart ? at : NULL;
    case STREAM:
        return show(link, body, count, at, reason);
    case EVENTS:
        return more_events(link, body, count, at, reason);
    default:
        *reason = UNKNOWN;
        return NULL;
    }
}

static void send_error(const lift_link_t *link, uint16_t session, uint16_t sequence, uint32_t reason,
                       uint32_t detail) {
    uint8_t payload[SMALL_BYTES];
    send(link, payload, lift_put16(lift_put8(put_head(payload, ERROR, session, sequence), reason), detail));
}

static void hello(lift_link_t *link, uint16_t session, int32_t count) {
    if (session == 0U || count != 1) {
        lift_count(&link->malformed);
        return;
    }
    if (session != link->session) {
        link->session = session;
        link->expected = 0;
        link->answers_kept = 0;
        link->stream_every = 0;
    }
    const lift_image_t *c = link->controller->calibration;
    uint8_t payload[SMALL_BYTES];
    uint8_t *at = put_head(payload, HELLO | ANSWER, session, 0);
    at = lift_put16(lift_put8(lift_put8(at, LIFT_LINK_PROTOCOL), LIFT_LINK_WINDOW), LIFT_IMAGE_VERSION);
    at = lift_put16(lift_put16(at, c == NULL ? 0U : c->tick_us), LIFT_LINK_LARGEST);
    at = lift_put32(at, c == NULL ? 0U : c->crc);
    const char *letter = link->port->firmware;
    for (int32_t i = 0; i < LIFT_FIRMWARE_BYTES; i++) {
        at = lift_put8(at, (uint32_t)(uint8_t)*letter);
        if (*letter != '\0') {
            letter += 1;
        }
    }
    uint32_t has = (uint32_t)HAS_DIGEST | (uint32_t)HAS_SAFE_STATE | (uint32_t)HAS_STREAM |
                   (uint32_t)HAS_RESET | (uint32_t)HAS_STATUS | (uint32_t)HAS_EVENTS;
    at = lift_put16(at, link->port->stores ? has | (uint32_t)HAS_STORE : has);
    at = lift_put8(at, link->older ? (uint32_t)OLDER : 0U);
    send(link, payload, at);
}

static void request(lift_link_t *link, const uint8_t *payload, int32_t count) {
    if (count < HEAD_BYTES) {
        lift_count(&link->malformed);
        return;
    }
    uint32_t kind = payload[0];
    uint16_t session = lift_get16(payload + 1);
    uint16_t sequence = lift_get16(payload + 3);
    const uint8_t *body = payload + HEAD_BYTES;
    count -= HEAD_BYTES;
    if (kind == HELLO) {
        hello(link, session, count);
        return;
    }
    if (session != link->session || session == 0U) {
        send_error(link, session, sequence, NO_SESSION, 0);
        return;
    }
    int32_t ago = (int32_t)(uint16_t)(link->expected - sequence); /* 1 is the last one carried out */
    if (1 <= ago && ago <= link->answers_kept) {
        int32_t at = link->next_answer - ago;
        lift_answer_t *again = &link->answers[at < 0 ? at + LIFT_LINK_WINDOW : at];
        lift_count(&link->repeated);
        send(link, again->bytes, again->bytes + again->count);
        return;
    }
    if (ago != 0) {
        lift_count(&link->gaps);
        send_error(link, session, sequence, GAP, link->expected);
        return;
    }
    lift_answer_t *answer = &link->answers[link->next_answer];
    uint8_t reason = 0;
    uint8_t *at = put_head(answer->bytes, kind | ANSWER, session, sequence);
    uint8_t *end = carry_out(link, kind, body, count, at, &reason);
    if (end == NULL) {
        if (reason == UNKNOWN || reason == MALFORMED) {
            lift_count(&link->malformed);
        }
        end = lift_put16(lift_put8(put_head(answer->bytes, ERROR, session, sequence), reason), 0);
    }
    answer->count = (int32_t)(end - answer->bytes);
    link->expected = (uint16_t)(sequence + 1U);
    link->next_answer = link->next_answer + 1 < LIFT_LINK_WINDOW ? link->next_answer + 1 : 0;
    link->answers_kept = lift_min(link->answers_kept + 1, LIFT_LINK_WINDOW);
    send(link, answer->bytes, end);
}

void lift_link_receive(lift_link_t *link, const uint8_t *bytes, size_t count) {
    for (size_t i = 0; i < count && !link->restart; i++) {
        int32_t payload = lift_decoder_feed(&link->in, bytes[i]);
        if (payload > 0) {
            request(link, link->in.bytes, payload);
        }
    }
}

void lift_link_show(lift_link_t *link, const lift_inputs_t *in, int32_t events) {
    if (link->stream_every == 0U) {
        return;
    }
    if (link->stream_wait > 0U) {
        link->stream_wait = (uint16_t)(link->stream_wait - 1U);
        return;
    }
    link->stream_wait = (uint16_t)(link->stream_every - 1U);
    lift_outputs_t out;
    lift_outputs(link->controller, &out);
    uint8_t payload[SMALL_BYTES];
    uint8_t *at = put_head(payload, TICKS, link->session, 0);
    at = lift_put16(lift_put16(lift_put16(at, link->stream_number), (uint32_t)in->tick), link->stream_every);
    at = put_outputs(put_inputs(lift_put8(at, 1), in, events), &out);
    link->stream_number = (uint16_t)(link->stream_number + 1U);
    send(link, payload, at);
}
