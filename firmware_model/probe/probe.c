/* The box on the bench: see probe.h. */
#include "probe.h"

enum { HELLO = 0x01, BEGIN = 0x21, QUEUE = 0x22, RUN = 0x23, EDGES = 0x24, ANSWER = 0x80, ERROR = 0xFF };
enum { NO_SESSION = 1, GAP = 2, UNKNOWN = 3, MALFORMED = 4, TOO_MUCH = 9 };
enum { PROTOCOL = 1, FEATURE_BOX = 256, HEAD_BYTES = 5, RECORD_BYTES = 8, EDGE_BYTES = 5, EDGES_HEAD = 13 };
enum { FIRMWARE_BYTES = 24 };
enum { RUNNING = 1, OVER = 2, EMPTY = 4 };

typedef char lift_the_queue_is_a_power_of_2[(LIFT_PROBE_RECORDS & (LIFT_PROBE_RECORDS - 1)) == 0 &&
    LIFT_PROBE_RECORDS <= 16384 ? 1 : -1];
typedef char lift_the_edges_are_a_power_of_2[(LIFT_PROBE_EDGES & (LIFT_PROBE_EDGES - 1)) == 0 &&
    LIFT_PROBE_EDGES <= 16384 ? 1 : -1];

static void clear(lift_probe_t *p) {
    p->running = false;
    p->over = false;
    p->empty = false;
    p->late = 0;
    p->lost = 0;
    p->latest = 0;
    p->first = 0;
    p->count = 0;
    p->taken = p->put;
    for (int32_t i = 0; i < 2; i++) {
        p->train[i].left = 0;
    }
}

void lift_probe_init(lift_probe_t *p, const lift_probe_port_t *port) {
    uint8_t *bytes = (uint8_t *)p;
    for (size_t i = 0; i < sizeof(*p); i++) {
        bytes[i] = 0;
    }
    p->port = port;
    lift_decoder_init(&p->in);
}

/* Whether one moment is before another; both lie within half an hour of one another. */
static bool before(uint32_t one, uint32_t other) {
    return (int32_t)(one - other) < 0;
}

static void put_out(lift_probe_t *p, uint32_t at, uint8_t what, uint8_t extra, uint16_t value) {
    if (before(at + LIFT_PROBE_LATE_US, p->now - p->origin)) {
        lift_count(&p->late);
    }
    p->port->put(p->port->self, at, what, extra, value);
}

/* The train whose next pulse is the earliest, -1 where none is under way. */
static int32_t next_train(const lift_probe_t *p) {
    int32_t found = -1;
    for (int32_t i = 0; i < 2; i++) {
        if (p->train[i].left > 0U && (found < 0 || before(p->train[i].at, p->train[found].at))) {
            found = i;
        }
    }
    return found;
}

static void pulse(lift_probe_t *p, int32_t which) {
    put_out(p, p->train[which].at, (uint8_t)(LIFT_PROBE_SPEED + which), 1, 0);
    p->train[which].at += p->train[which].gap;
    p->train[which].left = (uint8_t)(p->train[which].left - 1U);
}

static void play(lift_probe_t *p, const lift_probe_record_t *r) {
    if (r->what == LIFT_PROBE_END) {
        p->running = false;
        p->over = true;
    } else if (r->what == LIFT_PROBE_SPEED || r->what == LIFT_PROBE_SHAFT) {
        int32_t which = r->what - LIFT_PROBE_SPEED;
        p->train[which].at = r->at;
        p->train[which].gap = r->value;
        p->train[which].left = r->extra;
    } else {
        put_out(p, r->at, r->what, r->extra, r->value);
    }
}

void lift_probe_work(lift_probe_t *p, uint32_t now) {
    p->now = now;
    uint32_t since = now - p->origin;
    while (p->running) {
        const lift_probe_record_t *r = &p->records[p->first];
        int32_t which = next_train(p);
        if (which >= 0 && (p->count == 0U || before(p->train[which].at, r->at))) {
            if (before(since, p->train[which].at)) {
                return;
            }
            pulse(p, which);
        } else if (p->count == 0U) {
            p->empty = p->empty || before(p->latest, since);
            return;
        } else {
            if (before(since, r->at)) {
                return;
            }
            play(p, r);
            p->first = (uint16_t)((p->first + 1U) & (LIFT_PROBE_RECORDS - 1U));
            p->count = (uint16_t)(p->count - 1U);
        }
    }
}

void lift_probe_edge(lift_probe_t *p, uint32_t now, uint8_t line) {
    uint16_t waiting = (uint16_t)(p->put - p->taken);
    if (waiting >= LIFT_PROBE_EDGES) {
        p->lost = (uint16_t)(p->lost + (p->lost < 0xFFFFU ? 1U : 0U));
        return;
    }
    lift_probe_edge_t *to = &p->edges[p->put & (LIFT_PROBE_EDGES - 1U)];
    to->at = now - p->origin;
    to->line = line;
    p->put = (uint16_t)(p->put + 1U); /* last: from now on it may be fetched */
}

static uint8_t *put_greeting(const lift_probe_t *p, uint8_t *at) {
    at = lift_put16(lift_put16(lift_put8(lift_put8(at, PROTOCOL), 1), 0), 0);
    at = lift_put32(lift_put16(at, LIFT_LINK_LARGEST), 0);
    const char *name = p->port->firmware;
    for (int32_t i = 0; i < FIRMWARE_BYTES; i++) {
        at = lift_put8(at, (uint8_t)*name);
        name += *name != 0 ? 1 : 0;
    }
    return lift_put8(lift_put16(at, FEATURE_BOX), 0);
}

static uint8_t *put_room(const lift_probe_t *p, uint8_t *at) {
    return lift_put16(at, (uint32_t)LIFT_PROBE_RECORDS - p->count);
}

/* The records of a body go to the queue, all or none of them. */
static uint8_t *queue(lift_probe_t *p, const uint8_t *body, int32_t count, uint8_t *at, uint8_t *reason) {
    int32_t records = count / RECORD_BYTES;
    *reason = MALFORMED;
    if (records == 0 || count != records * RECORD_BYTES) {
        return NULL;
    }
    uint32_t latest = p->latest;
    for (int32_t i = 0; i < records; i++) {
        const uint8_t *from = body + i * RECORD_BYTES;
        if (from[4] > LIFT_PROBE_RETARD || before(lift_get32(from), latest)) {
            return NULL;
        }
        latest = lift_get32(from);
    }
    if (records > LIFT_PROBE_RECORDS - (int32_t)p->count) {
        *reason = TOO_MUCH;
        return NULL;
    }
    for (int32_t i = 0; i < records; i++) {
        const uint8_t *from = body + i * RECORD_BYTES;
        lift_probe_record_t *to = &p->records[(p->first + p->count) & (LIFT_PROBE_RECORDS - 1)];
        to->at = lift_get32(from);
        to->what = from[4];
        to->extra = from[5];
        to->value = lift_get16(from + 6);
        p->count = (uint16_t)(p->count + 1U);
    }
    p->latest = latest;
    return put_room(p, at);
}

static uint8_t *edges(lift_probe_t *p, uint8_t *at) {
    uint32_t state = (p->running ? (uint32_t)RUNNING : 0U) | (p->over ? (uint32_t)OVER : 0U) |
                     (p->empty ? (uint32_t)EMPTY : 0U);
    int32_t fit = (LIFT_LINK_LARGEST - HEAD_BYTES - EDGES_HEAD) / EDGE_BYTES;
    int32_t waiting = (uint16_t)(p->put - p->taken);
    int32_t count = waiting < fit ? waiting : fit;
    at = lift_put16(lift_put16(lift_put8(lift_put32(at, p->now - p->origin), state), p->late), p->lost);
    at = lift_put16(put_room(p, at), (uint32_t)count);
    for (int32_t i = 0; i < count; i++) {
        const lift_probe_edge_t *edge = &p->edges[p->taken & (LIFT_PROBE_EDGES - 1U)];
        at = lift_put8(lift_put32(at, edge->at), edge->line);
        p->taken = (uint16_t)(p->taken + 1U);
    }
    return at;
}

static uint8_t *carry_out(lift_probe_t *p, const uint8_t *payload, int32_t count, uint8_t *at, uint8_t *reason) {
    const uint8_t *body = payload + HEAD_BYTES;
    count -= HEAD_BYTES;
    *reason = UNKNOWN;
    if (payload[0] == QUEUE) {
        return queue(p, body, count, at, reason);
    }
    if (payload[0] != BEGIN && payload[0] != RUN && payload[0] != EDGES) {
        return NULL;
    }
    if (count != 0) {
        *reason = MALFORMED;
        return NULL;
    }
    if (payload[0] == EDGES) {
        return edges(p, at);
    }
    if (payload[0] == BEGIN) {
        clear(p);
        return put_room(p, at);
    }
    p->origin = p->now;
    p->running = true;
    return at;
}

static uint8_t *put_head(uint8_t *at, uint32_t kind, const uint8_t *payload) {
    at = lift_put8(at, kind);
    for (int32_t i = 1; i < HEAD_BYTES; i++) {
        at = lift_put8(at, payload[i]);
    }
    return at;
}

static void send(const lift_probe_t *p, uint8_t *payload, const uint8_t *end) {
    lift_frame_send(payload, (int32_t)(end - payload), p->port->write, p->port->self);
}

static void refuse(const lift_probe_t *p, const uint8_t *payload, uint32_t reason, uint32_t detail) {
    uint8_t small[HEAD_BYTES + 3 + LIFT_CRC_BYTES];
    send(p, small, lift_put16(lift_put8(put_head(small, ERROR, payload), reason), detail));
}

static void answer(lift_probe_t *p, const uint8_t *payload, int32_t count) {
    uint16_t session = lift_get16(payload + 1);
    uint16_t sequence = lift_get16(payload + 3);
    if (payload[0] == HELLO) {
        if (session == 0U || count != HEAD_BYTES + 1) {
            return;
        }
        if (session != p->session) {
            p->session = session;
            p->expected = 0;
            p->answered = false;
        }
        uint8_t hello[HEAD_BYTES + 39 + LIFT_CRC_BYTES];
        uint8_t *end = put_greeting(p, put_head(hello, HELLO | ANSWER, payload));
        hello[3] = 0;
        hello[4] = 0;
        send(p, hello, end);
        return;
    }
    if (session != p->session || session == 0U) {
        refuse(p, payload, NO_SESSION, 0);
    } else if (p->answered && sequence == (uint16_t)(p->expected - 1U)) {
        send(p, p->answer, p->answer + p->answer_count);
    } else if (sequence != p->expected) {
        refuse(p, payload, GAP, p->expected);
    } else {
        uint8_t reason = 0;
        uint8_t *at = put_head(p->answer, (uint32_t)payload[0] | ANSWER, payload);
        uint8_t *end = carry_out(p, payload, count, at, &reason);
        if (end == NULL) {
            end = lift_put16(lift_put8(put_head(p->answer, ERROR, payload), reason), 0);
        }
        p->answer_count = (int32_t)(end - p->answer);
        p->answered = true;
        p->expected = (uint16_t)(p->expected + 1U);
        send(p, p->answer, end);
    }
}

void lift_probe_receive(lift_probe_t *p, const uint8_t *bytes, size_t count) {
    for (size_t i = 0; i < count; i++) {
        int32_t payload = lift_decoder_feed(&p->in, bytes[i]);
        if (payload >= HEAD_BYTES) {
            answer(p, p->in.bytes, payload);
        }
    }
}
