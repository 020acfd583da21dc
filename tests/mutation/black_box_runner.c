/* What mutants of the core do with given inputs: black_box_runner FILE SECONDS MUTANT...
 *
 * FILE: see tests/mutation/black_box.py. For each mutant and case, on standard output: one byte, 0 where it ran to
 * its end; a CRC-32 of the commands of its ticks; for each event its bits and the retard, 1 and 2 bytes. Each mutant
 * runs in a process of its own; a case ends it after SECONDS. */
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/resource.h>
#include <sys/time.h>
#include <sys/wait.h>
#include <unistd.h>

#include "check.h"
#include "fixed.h"

int mutant;

typedef struct {
    const uint8_t *image;
    int32_t ticks, events;
    const conformance_input_t *inputs;
} run_t;

static run_t *runs;
static int32_t run_count;
static size_t answer_bytes;

static void read_file(const char *name) {
    FILE *file = fopen(name, "rb");
    fseek(file, 0, SEEK_END);
    size_t size = (size_t)ftell(file);
    rewind(file);
    uint8_t *place = malloc(size + 8);
    if (fread(place, 1, size, file) != size) exit(3);
    fclose(file);
    run_count = *(int32_t *)place;
    place += 8;
    runs = calloc((size_t)run_count, sizeof(*runs));
    for (int32_t i = 0; i < run_count; i++) {
        const int32_t *counts = (const int32_t *)place;
        runs[i].ticks = counts[0];
        runs[i].events = counts[1];
        place += 8;
        runs[i].image = place;
        place += (LIFT_IMAGE_BYTES + 7) / 8 * 8;
        runs[i].inputs = (const conformance_input_t *)place;
        place += ((size_t)runs[i].ticks * sizeof(conformance_input_t) + 7) / 8 * 8;
        answer_bytes += 5 + 3 * (size_t)runs[i].events;
    }
}

/* CRC-32 of the standard, of one byte more; the core's own is among the mutants. */
static uint32_t crc_of(uint32_t crc, uint32_t value, int bytes) {
    for (int i = 0; i < 8 * bytes; i++) {
        crc = (crc >> 1) ^ (((crc ^ (value >> i)) & 1U) ? 0xEDB88320U : 0U);
    }
    return crc;
}

static uint8_t *do_run(const run_t *r, uint8_t *to) {
    static lift_controller_t controller;
    uint8_t *head = to;
    uint32_t crc = 0xFFFFFFFFU;
    int32_t place = 0;
    lift_init(&controller);
    if (lift_load(&controller, r->image, LIFT_IMAGE_BYTES) != LIFT_IMAGE_OK) {
        return to + 5 + 3 * (size_t)r->events;
    }
    const lift_image_t *c = controller.calibration;
    to += 5;
    for (int32_t i = 0; i < r->ticks; i++) {
        const conformance_input_t *n = &r->inputs[i];
        lift_inputs_t in = {n->tick, n->counts, n->speed, n->switches & 1, n->engine, n->shaft, n->switches >> 1 & 1,
                            n->switches >> 2 & 1, n->request_reduction, n->request_retard, n->request_reason};
        lift_step(&controller, &in);
        lift_acting_t now;
        lift_acting(&controller, &now);
        crc = crc_of(crc_of(crc, (uint32_t)now.reduction, 2), (uint32_t)now.retard, 2);
        for (int32_t due = 0; due < n->events; due++) {
            int32_t cylinder = c->firing_order[place];
            place = place + 1 < c->cylinders ? place + 1 : 0;
            int32_t bits = lift_event(&controller, cylinder);
            to[0] = (uint8_t)((bits & LIFT_FUEL_OFF) | lift_spark(&controller, cylinder));
            to[1] = (uint8_t)now.retard;
            to[2] = (uint8_t)(now.retard >> 8);
            to += 3;
        }
    }
    head[0] = 0;
    memcpy(head + 1, &crc, 4);
    return to;
}

int main(int count, char **words) {
    if (count < 3) return 2;
    read_file(words[1]);
    double seconds = atof(words[2]);
    uint8_t *answers = mmap(NULL, answer_bytes + 1, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    for (int word = 3; word < count; word++) {
        memset(answers, 1, answer_bytes);
        fflush(stdout);
        pid_t child = fork();
        if (child == 0) {
            struct itimerval timer = {{0, 0}, {(time_t)seconds, (suseconds_t)((seconds - (int)seconds) * 1e6)}};
            struct rlimit none = {0, 0};
            setrlimit(RLIMIT_CORE, &none);
            signal(SIGVTALRM, SIG_DFL);
            mutant = atoi(words[word]);
            uint8_t *to = answers;
            for (int32_t i = 0; i < run_count; i++) {
                setitimer(ITIMER_VIRTUAL, &timer, NULL);
                to = do_run(&runs[i], to);
            }
            _exit(0);
        }
        waitpid(child, NULL, 0);
        fwrite(answers, 1, answer_bytes, stdout);
    }
    return 0;
}
