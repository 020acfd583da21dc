/* Interrupts the controller and the link after every single machine instruction (the trap flag of an x86-64), with
 * what a crank's interrupt does: lift_acting, lift_event, lift_spark. The outside request of a tick makes reduction,
 * retard and reason from one number, so that a set of two ticks shows itself. What must not be interrupted is wrapped
 * by the linker (--wrap) and looks whether the port has locked.
 *
 * Standard input: an image that stalls after 250 ms with a safe state of 1000 and 30. Argument: `acting`, or `fields`
 * to read the published fields one by one, which must show broken sets. Prints interrupts and broken sets.
 */
#define _GNU_SOURCE
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <sys/ucontext.h>

#include "link/link.h"

enum { TRAP = 0x100, ROUNDS = 2, TICKS = 4, HALF = LIFT_IMAGE_BYTES / 2 };

static union {
    uint32_t place;
    uint8_t bytes[LIFT_IMAGE_BYTES];
} image, kept[2];
static lift_controller_t controller;
static lift_link_t link_side;
static uint8_t frame[4096];
static size_t frame_count;
static uint16_t sequence;
static volatile int fields, locked, on, unlocked_calls, calls;
static volatile long interrupts, broken, answers;

static void trap(int yes) {
    on = yes;
    if (yes) {
        __asm__ volatile("pushfq\n orq $0x100, (%%rsp)\n popfq" : : : "memory", "cc");
    } else {
        __asm__ volatile("pushfq\n andq $~0x100, (%%rsp)\n popfq" : : : "memory", "cc");
    }
}

static void crank(int number) {
    (void)number;
    if (locked) {
        return; /* as far as the instruction that clears the flag */
    }
    lift_acting_t now;
    lift_acting(&controller, &now);
    if (fields) {
        now.reduction = controller.command.reduction;
        now.retard = controller.command.retard;
        now.reason = controller.command.reason;
    }
    int32_t of = now.reason - LIFT_REASON_OUTSIDE_FIRST;
    bool request = of >= 0 && now.reduction == 4 * of + 4 && now.retard == 3 * of + 1;
    bool safe = now.reason == LIFT_REASON_SAFE && now.reduction == 1000 && now.retard == 30;
    bool none = now.reason == 0 && now.reduction == 0 && now.retard == 0;
    int32_t before = controller.events.integral;
    int32_t cylinder = (int32_t)(interrupts % 8) + 1;
    int32_t bits = lift_event(&controller, cylinder);
    int32_t grown = controller.events.integral - before;
    bool same = fields || grown == now.reduction || grown == now.reduction - 8 * LIFT_FULL * LIFT_EVENT_WRAPS;
    if (!(request || safe || none) || !same || lift_spark(&controller, cylinder) != (bits & LIFT_SPARK_OFF)) {
        broken++;
    }
    interrupts++;
}

static void check(void) {
    calls++;
    unlocked_calls += !locked;
}

void __real_lift_build(lift_controller_t *ll, const lift_image_t *c);
void __wrap_lift_build(lift_controller_t *ll, const lift_image_t *c);
void __wrap_lift_build(lift_controller_t *ll, const lift_image_t *c) {
    check();
    __real_lift_build(ll, c);
}

void __real_lift_reset(lift_controller_t *ll);
void __wrap_lift_reset(lift_controller_t *ll);
void __wrap_lift_reset(lift_controller_t *ll) {
    check();
    __real_lift_reset(ll);
}

uint32_t __real_lift_digest(const lift_controller_t *ll);
uint32_t __wrap_lift_digest(const lift_controller_t *ll);
uint32_t __wrap_lift_digest(const lift_controller_t *ll) {
    check();
    return __real_lift_digest(ll);
}

static void port_lock(void *self) {
    (void)self;
    locked = 1;
    trap(0);
}

static void port_unlock(void *self) {
    (void)self;
    locked = 0;
    trap(1);
}

static void port_write(void *self, const uint8_t *bytes, size_t count) {
    (void)self;
    (void)bytes;
    answers += count > 0 && bytes[count - 1] == 0;
}

static const uint8_t *port_keep(void *self, const uint8_t *from) {
    (void)self;
    uint8_t *to = kept[(const uint8_t *)controller.calibration == kept[0].bytes].bytes;
    return memcpy(to, from, LIFT_IMAGE_BYTES);
}

static void port_begin(void *self) {
    (void)self;
}

static uint32_t port_none(void *self) {
    (void)self;
    return 0;
}

static void collect(void *self, const uint8_t *bytes, size_t count) {
    (void)self;
    memcpy(frame + frame_count, bytes, count);
    frame_count += count;
}

/* A request reaches the link; interrupts come all the while where `often`. */
static void request(int kind, const uint8_t *body, size_t count, int often) {
    uint8_t payload[1100] = {(uint8_t)kind, 7, 0, (uint8_t)sequence, (uint8_t)(sequence >> 8)};
    if (count > 0) {
        memcpy(payload + 5, body, count);
    }
    frame_count = 0;
    lift_frame_send(payload, 5 + (int32_t)count, collect, NULL);
    sequence = (uint16_t)(sequence + (kind != 1));
    if (often) {
        trap(1);
    }
    lift_link_receive(&link_side, frame, frame_count);
    trap(0);
}

static void step(int of, int flags) {
    uint8_t body[4 + 16] = {0, 0, 1, (uint8_t)flags};
    int reduction = of < 0 ? 0 : 4 * of + 4, retard = of < 0 ? 0 : 3 * of + 1;
    body[4 + 8] = (uint8_t)reduction;
    body[4 + 9] = (uint8_t)(reduction >> 8);
    body[4 + 10] = (uint8_t)retard;
    body[4 + 11] = (uint8_t)(retard >> 8);
    body[4 + 12] = (uint8_t)(LIFT_REASON_OUTSIDE_FIRST + of);
    request(5, body, sizeof(body), 1);
}

static void load(void) {
    for (int32_t at = 0; at < LIFT_IMAGE_BYTES; at += HALF) {
        uint8_t piece[HALF + 2] = {(uint8_t)at, (uint8_t)(at >> 8)};
        memcpy(piece + 2, image.bytes + at, HALF);
        request(2, piece, sizeof(piece), 0);
    }
    uint32_t crc = 0xFFFFFFFFU;
    for (int32_t i = 0; i < LIFT_IMAGE_BYTES; i++) {
        crc ^= image.bytes[i];
        for (int bit = 0; bit < 8; bit++) {
            crc = crc >> 1 ^ (crc & 1 ? 0xEDB88320U : 0);
        }
    }
    crc = ~crc;
    uint8_t commit[6] = {LIFT_IMAGE_BYTES & 0xFF, LIFT_IMAGE_BYTES >> 8, (uint8_t)crc, (uint8_t)(crc >> 8),
                         (uint8_t)(crc >> 16), (uint8_t)(crc >> 24)};
    request(3, commit, sizeof(commit), 0);
}

int main(int argc, char **argv) {
    static const lift_port_t port = {NULL, "interrupted", port_write, port_keep, port_begin, port_none, port_none,
                                   port_lock, port_unlock, false};
    struct sigaction action;
    memset(&action, 0, sizeof(action));
    action.sa_handler = crank;
    fields = argc > 1 && strcmp(argv[1], "fields") == 0;
    if (fread(image.bytes, 1, LIFT_IMAGE_BYTES, stdin) != LIFT_IMAGE_BYTES || sigaction(SIGTRAP, &action, NULL)) {
        return 2;
    }
    lift_init(&controller);
    lift_link_init(&link_side, &controller, &port);
    const uint8_t version = 1;
    request(1, &version, 1, 0);
    load();
    uint32_t now_ms = 0;
    for (int round = 0; round < ROUNDS; round++) {
        request(4, NULL, 0, 1);
        for (int i = 0; i < TICKS; i++) {
            step((round * 90 + i * 17) % 239, i == 0);
        }
        trap(1);
        lift_link_time(&link_side, now_ms += 1000);
        trap(0);
        request(6, NULL, 0, 1);
        step(200, 0);
        request(4, NULL, 0, 1); /* refused: torque is taken */
        step(-1, 0);
        load();
    }
    printf("%ld %ld %d %d\n", interrupts, broken, unlocked_calls, calls);
    return controller.calibration == NULL || answers < ROUNDS * TICKS;
}
