/* Holds mutants of the core against cases: core_runner FILE MODE SECONDS MUTANT...
 *
 * FILE: see tests/mutation/core_run.py. MODE `first` ends a mutant at the first case that finds it; `all` tells
 * each case that does; `state` looks at the whole state instead of outputs and events. For each mutant a line: its number, then WHERE:PLACE:HOW of those cases. WHERE is the case's
 * number, or `images` or `calls` for what stands beside them; PLACE the tick, image or call that is wrong; HOW is
 * empty, or `t` where the mutant ran into its time, or `x` where it crashed. Each mutant runs in a process of its
 * own. */
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

enum { IMAGES = -1, CALLS = -2 };
enum { ENOUGH = 20 }; /* times or crashes of a mutant; each costs a new process */

int mutant;

static lift_controller_t controller;
static conformance_case_t *cases;
static conformance_image_t *images;
static int32_t case_count, image_count;

static uint8_t *place; /* where the file is read on */

static void *take(size_t bytes) {
    void *here = place;
    place += (bytes + 7) / 8 * 8;
    return here;
}

static void read_file(const char *name) {
    FILE *file = fopen(name, "rb");
    fseek(file, 0, SEEK_END);
    size_t size = (size_t)ftell(file);
    rewind(file);
    place = malloc(size + 8);
    if (fread(place, 1, size, file) != size) exit(3);
    fclose(file);
    int32_t *counts = take(8);
    case_count = counts[0];
    image_count = counts[1];
    cases = calloc((size_t)case_count + 1, sizeof(*cases));
    images = calloc((size_t)image_count + 1, sizeof(*images));
    for (int32_t i = 0; i < case_count; i++) {
        int32_t *sizes = take(8);
        size_t ticks = (size_t)sizes[0];
        cases[i].image = take(LIFT_IMAGE_BYTES);
        cases[i].ticks = sizes[0];
        cases[i].inputs = take(ticks * sizeof(conformance_input_t));
        cases[i].outputs = take(ticks * sizeof(conformance_output_t));
        cases[i].events = take((size_t)sizes[1]);
    }
    for (int32_t i = 0; i < image_count; i++) {
        int32_t *sizes = take(16);
        images[i].count = sizes[0];
        images[i].length = (uint16_t)sizes[1];
        images[i].verdict = (uint8_t)sizes[2];
        images[i].bytes = take((size_t)sizes[0] * sizeof(conformance_byte_t));
    }
}

/* -1, or the first tick after which a mutant's whole state is not that of the core as it is. */
static int32_t strays(const conformance_case_t *c, int which) {
    static lift_controller_t other;
    lift_controller_t *both[2] = {&controller, &other};
    int32_t length = c->ticks;
    for (int32_t i = -1; i < length; i++) {
        for (int side = 0; side < 2; side++) {
            mutant = side ? 0 : which;
            if (i < 0 && lift_load(both[side], c->image, LIFT_IMAGE_BYTES) != LIFT_IMAGE_OK) return 0;
            if (i < 0) continue;
            const conformance_input_t *n = &c->inputs[i];
            lift_inputs_t in = {n->tick, n->counts, n->speed, n->switches & 1, n->engine, n->shaft,
                                n->switches >> 1 & 1, n->switches >> 2 & 1, n->request_reduction,
                                n->request_retard, n->request_reason};
            lift_step(both[side], &in);
            for (int32_t due = 0; due < n->events; due++) lift_event(both[side], (i + due) % LIFT_CYLINDERS + 1);
        }
        mutant = which;
        if (memcmp(&controller, &other, sizeof(other)) != 0) return i < 0 ? 0 : i;
    }
    return -1;
}

static bool of_state;

/* -1, or what is wrong first: a tick, an image, a call. */
static int32_t differs(int32_t at) {
    if (at == CALLS) {
        int32_t wrong = conformance_calls(&controller, cases[0].image);
        return wrong == 0 ? -1 : wrong;
    }
    if (at == IMAGES) {
        for (int32_t i = 0; i < image_count; i++)
            if (!conformance_image(&controller, cases[0].image, &images[i])) return i;
        return -1;
    }
    int32_t wrong = of_state ? strays(&cases[at], mutant) : conformance_case(&controller, &cases[at]);
    return wrong == -2 ? 0 : wrong;
}

static void tell(int32_t at, int32_t place, const char *how) {
    if (at == CALLS) printf(" calls");
    else if (at == IMAGES) printf(" images");
    else printf(" %d", at);
    printf(":%d:%s", place, how);
}

int main(int count, char **words) {
    if (count < 4) return 2;
    read_file(words[1]);
    bool first = strcmp(words[2], "all") != 0;
    of_state = strcmp(words[2], "state") == 0;
    double seconds = atof(words[3]);
    /* What the process is at, and what came of it. */
    struct { int32_t at, found; } *shared =
        mmap(NULL, 4096, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    for (int word = 4; word < count; word++) {
        printf("%s", words[word]);
        int32_t at = 0;
        int lost = 0;
        const int32_t end = case_count + (image_count ? 2 : 0);
        while (at < end) {
            fflush(stdout);
            pid_t child = fork();
            if (child == 0) {
                struct itimerval timer = {{0, 0}, {(time_t)seconds, (suseconds_t)((seconds - (int)seconds) * 1e6)}};
                signal(SIGVTALRM, SIG_DFL);
                struct rlimit none = {0, 0};
                setrlimit(RLIMIT_CORE, &none);
                mutant = atoi(words[word]);
                if (at == 0) lift_init(&controller);
                for (; at < end; at++) {
                    setitimer(ITIMER_VIRTUAL, &timer, NULL);
                    shared->at = at;
                    int32_t which = at < case_count ? at : case_count - at - 1;
                    int32_t wrong = differs(which);
                    if (wrong >= 0) {
                        tell(which, wrong, "");
                        if (first) at = end;
                    }
                }
                fflush(stdout);
                _exit(0);
            }
            int status = 0;
            waitpid(child, &status, 0);
            if (WIFEXITED(status) && WEXITSTATUS(status) == 0) break;
            at = shared->at;
            tell(at < case_count ? at : case_count - at - 1, 0,
                 WIFSIGNALED(status) && WTERMSIG(status) == SIGVTALRM ? "t" : "x");
            at = first || ++lost == ENOUGH ? end : at + 1;
        }
        printf("\n");
    }
    return 0;
}
