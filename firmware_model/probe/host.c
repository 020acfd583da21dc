/* A box on a PC: see host.h. */
#include "host.h"

#include <stdlib.h>
#include <string.h>

typedef struct {
    uint8_t *bytes;
    size_t count, room;
} list_t;

struct lift_box_t {
    lift_probe_t probe;
    lift_probe_port_t port;
    list_t sent, played;
};

static void append(list_t *list, const void *from, size_t count) {
    if (list->count + count > list->room) {
        size_t room = 2 * (list->count + count);
        uint8_t *bytes = realloc(list->bytes, room);
        if (bytes == NULL) {
            return; /* a line loses bytes too */
        }
        list->bytes = bytes;
        list->room = room;
    }
    memcpy(list->bytes + list->count, from, count);
    list->count += count;
}

static size_t take(list_t *list, void *to, size_t most) {
    size_t count = list->count < most ? list->count : most;
    if (count > 0) {
        memcpy(to, list->bytes, count);
        memmove(list->bytes, list->bytes + count, list->count - count);
        list->count -= count;
    }
    return count;
}

static void port_write(void *self, const uint8_t *bytes, size_t count) {
    append(&((lift_box_t *)self)->sent, bytes, count);
}

static void port_put(void *self, uint32_t at, uint8_t what, uint8_t extra, uint16_t value) {
    lift_probe_record_t record = {at, what, extra, value};
    append(&((lift_box_t *)self)->played, &record, sizeof(record));
}

lift_box_t *lift_box_new(void) {
    lift_box_t *box = calloc(1, sizeof(*box));
    if (box != NULL) {
        lift_probe_port_t port = {box, "box, simulated", port_write, port_put};
        box->port = port;
        lift_probe_init(&box->probe, &box->port);
    }
    return box;
}

void lift_box_free(lift_box_t *box) {
    free(box->sent.bytes);
    free(box->played.bytes);
    free(box);
}

void lift_box_receive(lift_box_t *box, const uint8_t *bytes, int32_t count) {
    lift_probe_t *p = &box->probe;
    lift_probe_receive(p, bytes, (size_t)count);
    while (p->running) {
        uint32_t until = p->origin + p->latest;
        /* One record after the other, so that none is late. */
        uint32_t next = p->count > 0U ? p->origin + p->records[p->first].at : until;
        for (int32_t i = 0; i < 2; i++) {
            if (p->train[i].left > 0U && (int32_t)(p->origin + p->train[i].at - next) < 0) {
                next = p->origin + p->train[i].at;
            }
        }
        if (p->count == 0U || (int32_t)(next - until) > 0) {
            break;
        }
        lift_probe_work(p, next);
    }
}

int32_t lift_box_sent(lift_box_t *box, uint8_t *to, int32_t most) {
    return (int32_t)take(&box->sent, to, (size_t)most);
}

int32_t lift_box_played(lift_box_t *box, uint8_t *to, int32_t most) {
    return (int32_t)take(&box->played, to, (size_t)most);
}

int32_t lift_box_over(const lift_box_t *box) {
    return box->probe.over ? 1 : 0;
}

int32_t lift_box_room(const lift_box_t *box) {
    return LIFT_PROBE_EDGES - (int32_t)(uint16_t)(box->probe.put - box->probe.taken);
}

void lift_box_edge(lift_box_t *box, uint32_t at, uint8_t line) {
    lift_probe_edge(&box->probe, box->probe.origin + at, line);
}
