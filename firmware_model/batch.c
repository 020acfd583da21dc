/* Many ticks in one call, for the host: see batch.h. */
#include "batch.h"

#define TWO_TURNS INT64_C(120000000)

static void make_events(lift_controller_t *ll, lift_clock_t *clock, int32_t rpm, int64_t tick,
                        lift_events_made_t *made) {
    const lift_image_t *c = ll->calibration;
    clock->turned += (int64_t)rpm * c->cylinders * c->tick_us;
    while (clock->turned >= TWO_TURNS && made->count < made->room) {
        clock->turned -= TWO_TURNS;
        int32_t cylinder = c->firing_order[clock->place];
        clock->place = clock->place + 1 < c->cylinders ? clock->place + 1 : 0;
        made->tick[made->count] = (uint32_t)tick;
        made->cylinder[made->count] = (uint8_t)cylinder;
        made->bits[made->count] = (uint8_t)lift_event(ll, cylinder);
        made->count += 1;
    }
}

static void write_outputs(const lift_controller_t *ll, const lift_results_t *out, int64_t i) {
    lift_outputs_t now;
    lift_outputs(ll, &now);
    out->reduction[i] = (uint16_t)now.reduction;
    out->retard[i] = (uint16_t)now.retard;
    out->reason[i] = (uint8_t)now.reason;
    out->askers[i] = (uint8_t)now.askers;
    out->faults[i] = (uint16_t)now.faults;
    out->height[i] = (int16_t)now.height;
    out->rest[i] = (int16_t)now.rest;
    out->lift[i] = (int16_t)now.lift;
    out->entry[i] = (int16_t)now.entry;
    out->progress[i] = (uint16_t)now.progress;
    out->demand[i] = (uint16_t)now.demand;
    out->latched[i] = (uint16_t)now.latched;
    out->state[i] = (uint8_t)now.state;
    out->hold_left[i] = (uint32_t)now.hold_left;
    out->retard_demand[i] = (uint16_t)now.retard_demand;
    out->retard_latched[i] = (uint16_t)now.retard_latched;
    out->retard_state[i] = (uint8_t)now.retard_state;
    out->launched[i] = (uint8_t)now.launched;
    out->elapsed_ms[i] = (uint16_t)now.elapsed_ms;
    out->out_of_sight_ticks[i] = (uint16_t)now.out_of_sight_ticks;
}

void lift_batch(lift_controller_t *ll, lift_clock_t *clock, int64_t ticks, const lift_columns_t *in,
              const lift_results_t *out, lift_events_made_t *made, int64_t every, uint32_t *digests) {
    int64_t until_digest = every;
    for (int64_t i = 0; i < ticks; i++) {
        lift_inputs_t now = {
            .tick = in->tick.values[i * in->tick.stride],
            .counts = in->counts.values[i * in->counts.stride],
            .speed = in->speed.values[i * in->speed.stride],
            .speed_valid = in->speed_valid.values[i * in->speed_valid.stride],
            .engine_speed = in->engine.values[i * in->engine.stride],
            .shaft_speed = in->shaft.values[i * in->shaft.stride],
            .armed = in->armed.values[i * in->armed.stride],
            .launch = in->launch.values[i * in->launch.stride],
            .request_reduction = in->request_reduction.values[i * in->request_reduction.stride],
            .request_retard = in->request_retard.values[i * in->request_retard.stride],
            .request_reason = in->request_reason.values[i * in->request_reason.stride],
        };
        lift_step(ll, &now);
        write_outputs(ll, out, i);
        if (made != NULL) {
            make_events(ll, clock, now.engine_speed, i, made);
        }
        if (every > 0 && --until_digest == 0) {
            until_digest = every;
            *digests++ = lift_digest(ll);
        }
    }
}

void lift_step_once(lift_controller_t *ll, int32_t tick, int32_t counts, int32_t speed, int32_t speed_valid,
                  int32_t engine_speed, int32_t shaft_speed, int32_t armed, int32_t launch,
                  int32_t request_reduction, int32_t request_retard, int32_t request_reason) {
    lift_inputs_t now = {tick,   counts, speed,  speed_valid,       engine_speed,   shaft_speed,
                       armed, launch, request_reduction, request_retard, request_reason};
    lift_step(ll, &now);
}
