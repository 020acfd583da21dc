/* The car in closed loop: see vehicle.h; motion.h has how it moves, equations.py the meaning of each letter. */
#include "core/liftlatch.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "vehicle.h"

#ifdef __GNUC__
#define INLINE inline __attribute__((always_inline))
#else
#define INLINE inline
#endif
#define GRAVITY 9.80665
#define RING 512
#define LONGEST_STEP_US 500
#define TURNED_OVER 1.2
#define LOCKS_S 0.0005
/* With any of these faults on the controller does not act on the height. */
#define OUT_OF_SERVICE \
    (LIFT_FAULT_SENSOR | LIFT_FAULT_FALL | LIFT_FAULT_STUCK | LIFT_FAULT_ACQUIRING | LIFT_FAULT_NO_IMAGE)
#define FLIGHT_GAP 0.025
#define WHEEL_ON_GROUND_S 0.025
#define WHEEL_IN_AIR_S 1.1
#define PI 3.14159265358979323846

enum { WAY, SPEED, PITCH, PITCH_RATE, TRAVEL, TRAVEL_RATE, WHEEL, SLIP, ENGINE, SHARE, RISE, RISE_RATE, BOOST };

static const double MARK_FT[LV_MARKS] = {60.0, 330.0, 660.0, 1000.0, 1320.0};

/* What motion.h reads of a car: parameters by their own names, and what follows from them and does not change. */
#define PARAMETERS(X) \
    X(mass) X(wheelbase) X(pitch_inertia) X(front_unsprung) X(rear_radius) X(grip) X(sliding) X(wheel_inertia) \
    X(front_tyre_rate) X(front_spring) X(rebound) X(bump) X(droop) X(bump_travel) X(stop_rate) X(stop_damping) \
    X(bar_behind) X(bar_rate) X(bar_damping) X(rear_spring) X(rear_damping) X(rear_travel) X(friction) X(boost) \
    X(converter) X(converter_ratio) X(coupling) X(clutch_torque) X(clutch_centrifugal) X(efficiency)
/* body_ahead and body_up: the body's centre of gravity from the rear axle; front_up: the front wheel's centre over
 * it; bar_low: that of the bar's wheel; drag, rolling: N for each (m/s)^2, and N. */
#define FOLLOWING(X) \
    X(body_mass) X(body_ahead) X(body_up) X(front_up) X(strut_static) X(rear_static) X(free_radius) X(jacking) \
    X(bar_low) X(drag) X(rolling) X(input_inertia) X(locking) X(converter_slope) X(per_launch_speed) \
    X(per_engine_inertia) X(per_lag) X(per_boost_lag) X(per_efficiency) X(per_front_unsprung) X(per_peak_slip) \
    X(per_relaxation)
#define FIXED(X) PARAMETERS(X) FOLLOWING(X)

/* A curve over x by straight lines, ends held: the value at each point and the slope after it. */
typedef struct {
    int32_t points;
    double x[LV_POINTS], y[LV_POINTS], slope[LV_POINTS];
} lv_table_t;

typedef struct {
    lv_car_t car;
#define DECLARE(name) double name;
    FIXED(DECLARE)
#undef DECLARE
    double front_static;
    lv_table_t torque, throttle;
} lv_made_t;

/* What acts on a car and depends on the time alone: share of torque commanded, engine turns for a turn of the
 * wheels and how fast that changes, throttle, the same with the launch's share, what the clutch carries at the
 * launch's engine speed. */
typedef struct {
    double share, ratio, ratio_rate, throttle, open, carries;
} lv_given_t;

typedef struct {
    int32_t gear, shifting;
    double since, ratio, next;
} lv_gearbox_t;

static double look_up(const lv_table_t *t, double x, int32_t *near) {
    int32_t i = *near;
    while (i > 0 && x < t->x[i]) {
        i -= 1;
    }
    while (i + 1 < t->points && x >= t->x[i + 1]) {
        i += 1;
    }
    *near = i;
    double past = x - t->x[i];
    return t->y[i] + t->slope[i] * (past > 0 ? past : 0.0);
}

#define LANES 1
#include "motion.h"
#undef LANES
/* gcc on Windows does not align what it keeps of such registers on its stack (its bug 54412). */
#if defined(__x86_64__) && defined(__GNUC__) && (defined(__clang__) || !defined(_WIN32))
#ifdef __clang__
#define WITH_AVX2 _Pragma("clang attribute push(__attribute__((target(\"avx2\"))), apply_to = function)")
#define WITHOUT_AVX2 _Pragma("clang attribute pop")
#else
#define WITH_AVX2 _Pragma("GCC push_options") _Pragma("GCC target(\"avx2\")")
#define WITHOUT_AVX2 _Pragma("GCC pop_options")
#endif
#define LANES 4
WITH_AVX2
#include "motion.h"
WITHOUT_AVX2
#undef LANES
#endif

typedef struct {
    int32_t flying, direction, taking;
    double reduction;
} lv_watch_t;

struct lv_run {
    lift_controller_t controller;
    lv_made_t made;
    fixed_t_1 fixed;
    lv_track_t track;
    int32_t controlled;
    int64_t lead, tick;
    double tick_s, step_s;
    int32_t steps, delay_ticks;
    int32_t late_ticks, late_steps; /* of the torque behind the command: whole ticks, and steps of the next */
    double state[LV_STATES];
    double sine, cosine; /* of the pitch */
    lv_gearbox_t gearbox;
    int32_t at_throttle; /* where in that table: only saves time */
    double shares[RING];  /* commanded share of torque, by tick since launch */
    double heights[RING]; /* true height at the sensor, by tick */
    uint64_t rng;
    int32_t counts;
    double front_wheel;
    /* the strip */
    double front_chord, previous_nose, previous_time, previous_rear, distance;
    int32_t nose_started, beam_started;
    lv_forces_t forces; /* at the start of the last tick */
    lv_scores_t scores;
    lv_watch_t watch;
};

static double at(const double *x, const double *y, int32_t points, double place) {
    if (place <= x[0]) {
        return y[0];
    }
    for (int32_t i = 1; i < points; i++) {
        if (place < x[i]) {
            return y[i - 1] + (y[i] - y[i - 1]) * (place - x[i - 1]) / (x[i] - x[i - 1]);
        }
    }
    return y[points - 1];
}

/* ---- rng: the random numbers of bench.random ---- */

static uint64_t rng_whole(uint64_t *state, uint64_t below) {
    *state = *state * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
    return ((*state >> 32) * below) >> 32;
}

static uint64_t rng_from(uint64_t seed) {
    uint64_t state = seed * UINT64_C(0x9E3779B97F4A7C15) + UINT64_C(0x1234567);
    for (int32_t i = 0; i < 4; i++) {
        rng_whole(&state, 1);
    }
    return state;
}

static double rng_normal(uint64_t *state) {
    uint64_t sum = 0;
    for (int32_t i = 0; i < 12; i++) {
        sum += rng_whole(state, UINT64_C(1) << 30);
    }
    return (double)sum / 1073741824.0 - 6.0;
}

/* ---- the car ---- */

void lv_sine_cosine(double angle, double *sine, double *cosine) { sine_cosine_1(angle, sine, cosine); }

static void tabulate(lv_table_t *t, const double *x, const double *y, int32_t points) {
    t->points = points;
    for (int32_t i = 0; i < points; i++) {
        t->x[i] = x[i];
        t->y[i] = y[i];
        t->slope[i] = i + 1 < points ? (y[i + 1] - y[i]) / (x[i + 1] - x[i]) : 0.0;
    }
}

static void make(lv_made_t *m, const lv_car_t *car) {
    m->car = *car;
#define COPY(name) m->name = car->name;
    PARAMETERS(COPY)
#undef COPY
    m->body_mass = car->mass - car->front_unsprung - car->rear_unsprung;
    m->front_up = car->front_radius - car->rear_radius;
    m->body_ahead = (car->mass * car->cg_ahead - car->front_unsprung * car->wheelbase) / m->body_mass;
    m->body_up = (car->mass * car->cg_height - car->front_unsprung * car->front_radius -
                  car->rear_unsprung * car->rear_radius) / m->body_mass - car->rear_radius;
    m->front_static = car->mass * GRAVITY * car->cg_ahead / car->wheelbase;
    m->strut_static = m->front_static - car->front_unsprung * GRAVITY;
    m->rear_static = car->mass * GRAVITY - m->front_static - car->rear_unsprung * GRAVITY;
    m->free_radius = car->front_radius + m->front_static / car->front_tyre_rate;
    m->jacking = car->rear_spring > 0 ? car->anti_squat * car->cg_height / (car->wheelbase * car->rear_radius) : 0.0;
    m->bar_low = car->bar_clear - car->rear_radius;
    m->drag = 0.5 * car->air_density * car->drag_area;
    m->rolling = car->rolling * car->mass * GRAVITY;
    m->input_inertia = car->turbine_inertia + car->clutch_inertia;
    double first = car->gear[0] * car->final_drive;
    double behind = m->input_inertia + car->wheel_inertia / (first * first);
    m->locking = 1.0 / (LOCKS_S * (1.0 / car->engine_inertia + 1.0 / behind));
    m->converter_slope = car->coupling > 0 ? (1.0 - car->converter_ratio) / car->coupling : 0.0;
    m->per_launch_speed = 1.0 / car->launch_speed;
    m->per_engine_inertia = 1.0 / car->engine_inertia;
    m->per_lag = car->lag > 0 ? 1.0 / car->lag : 0.0;
    m->per_boost_lag = car->boost > 0 ? 1.0 / car->boost_lag : 0.0;
    m->per_efficiency = 1.0 / car->efficiency;
    m->per_front_unsprung = 1.0 / car->front_unsprung;
    m->per_peak_slip = 1.0 / car->peak_slip;
    m->per_relaxation = 1.0 / car->relaxation;
    tabulate(&m->torque, car->torque_speed, car->torque, car->torque_points);
    tabulate(&m->throttle, car->throttle_time, car->throttle, car->throttle_points);
}

/* What the clutch carries while the engine turns as at the launch. */
static double clutch_carries(const lv_car_t *car, double time) {
    if (time <= car->clutch_after) {
        return car->clutch_torque;
    }
    if (time >= car->clutch_after + car->clutch_rise) {
        return car->clutch_full;
    }
    double risen = (time - car->clutch_after) / car->clutch_rise;
    return car->clutch_torque + (car->clutch_full - car->clutch_torque) * risen;
}

static void pedal(lv_given_t *g, const lv_made_t *m, double time, int32_t *near) {
    const lv_car_t *car = &m->car;
    g->throttle = g->open = look_up(&m->throttle, time, near);
    if (time < car->full_after) {
        g->open *= car->launch_share + (1.0 - car->launch_share) * time / car->full_after;
    }
    g->carries = car->clutch_torque > 0 ? clutch_carries(car, time) : 0.0;
}

void lv_rates(const lv_car_t *car, double time, const double *state, double share, double ratio, double ratio_rate,
              double *rates, lv_forces_t *forces) {
    lv_made_t m;
    fixed_t_1 fixed;
    lv_given_t given = {.share = share, .ratio = ratio, .ratio_rate = ratio_rate};
    given_t_1 g;
    forces_t_1 f;
    int32_t near = 0;
    make(&m, car);
    fix_1(&fixed, 0, &m);
    pedal(&given, &m, time, &near);
    give_1(&g, 0, &given);
    rates_of_1(&fixed, &g, state, rates, &f);
    *forces = (lv_forces_t){rates[SPEED], f.pitch_acceleration, f.front_load, f.rear_load,
                            f.thrust, f.bar_load, ratio, f.torque};
}

static void shift(lv_gearbox_t *g, const lv_car_t *car, double time, double engine) {
    if (g->shifting && time - g->since >= car->shift_time) {
        g->gear += 1;
        g->shifting = 0;
        g->ratio = car->gear[g->gear] * car->final_drive;
    }
    if (!g->shifting && g->gear + 1 < car->gears) {
        double reached = car->shift_by_time ? time : engine;
        if (reached >= car->shift_at[g->gear]) {
            g->shifting = 1;
            g->since = time;
            g->next = car->gear[g->gear + 1] * car->final_drive;
        }
    }
}

static double ratio_at(const lv_gearbox_t *g, const lv_car_t *car, double time, double *rate) {
    *rate = 0.0;
    if (!g->shifting || time < g->since) {
        return g->ratio;
    }
    double part = car->shift_time > 0 ? (time - g->since) / car->shift_time : 1.0;
    if (part >= 1.0) {
        return g->next;
    }
    *rate = (g->next - g->ratio) / car->shift_time;
    return g->ratio + (g->next - g->ratio) * part;
}

/* What acts in a step that begins at `time`: at its start, middle and end. */
static void give(lv_run_t *run, double time, double share, lv_given_t given[3]) {
    const lv_car_t *car = &run->made.car;
    double h = run->step_s;
    shift(&run->gearbox, car, time, run->state[ENGINE]);
    for (int32_t i = 0; i < 3; i++) {
        double then = i == 0 ? time : i == 1 ? time + 0.5 * h : time + h;
        given[i].share = share;
        given[i].ratio = ratio_at(&run->gearbox, car, then, &given[i].ratio_rate);
        pedal(&given[i], &run->made, then, &run->at_throttle);
    }
}

static void step_alone(lv_run_t *run, double time, double share) {
    lv_given_t given[3];
    given_t_1 g[3];
    forces_t_1 f;
    double acceleration;
    give(run, time, share, given);
    for (int32_t i = 0; i < 3; i++) {
        give_1(&g[i], 0, &given[i]);
    }
    step_1(&run->fixed, run->state, g, run->step_s, run->track.midpoint, &acceleration, &f);
    run->forces = (lv_forces_t){acceleration, f.pitch_acceleration, f.front_load, f.rear_load,
                                f.thrust, f.bar_load, given[0].ratio, f.torque};
}

static void tilt(lv_run_t *run) { sine_cosine_1(run->state[PITCH], &run->sine, &run->cosine); }

/* ---- what can be seen of it ---- */

static double clearance(const lv_run_t *run) {
    const lv_car_t *car = &run->made.car;
    return car->rear_radius + (car->wheelbase + car->sensor_ahead) * run->sine +
           (car->sensor_height - car->rear_radius + run->state[RISE]) * run->cosine;
}

static double along_beam(const lv_run_t *run) {
    const lv_car_t *car = &run->made.car;
    double height = clearance(run);
    const lv_track_t *t = &run->track;
    if (t->road != NULL && t->road_points > 1) {
        double place = (run->state[WAY] + car->wheelbase + car->sensor_ahead) / t->road_step;
        int64_t i = (int64_t)floor(place);
        i = i < 0 ? 0 : i > t->road_points - 2 ? t->road_points - 2 : i;
        height -= t->road[i] + (t->road[i + 1] - t->road[i]) * (place - (double)i);
    }
    return height / run->cosine;
}

/* Ideal counts for a height in mm, by the calibration's curve, ends held. */
static double counts_of(const lift_image_t *c, double mm) {
    int32_t n = c->sensor_points;
    int32_t rising = c->sensor_height[n - 1] > c->sensor_height[0];
    double place = rising ? mm : -mm;
    for (int32_t i = 1; i < n; i++) {
        double low = (rising ? 1.0 : -1.0) * c->sensor_height[i - 1] / 16.0;
        double high = (rising ? 1.0 : -1.0) * c->sensor_height[i] / 16.0;
        if (place < high || i == n - 1) {
            double part = place < low ? 0.0 : place > high ? high - low : place - low;
            return c->sensor_counts[i - 1] + part * (c->sensor_counts[i] - c->sensor_counts[i - 1]) / (high - low);
        }
    }
    return 0.0;
}

static int32_t cut(double value, int32_t most) {
    double whole = floor(value + 0.5);
    return whole < 0 ? 0 : whole > most ? most : (int32_t)whole;
}

static int32_t read_sensor(lv_run_t *run) {
    const lift_image_t *c = run->controller.calibration;
    const lv_car_t *car = &run->made.car;
    int64_t from = run->tick - run->delay_ticks;
    double height = run->heights[(from < 0 ? 0 : from) % RING] + run->track.noise * rng_normal(&run->rng);
    if (height > car->sensor_farthest) {
        return car->beyond_high ? c->adc_max : 0;
    }
    return cut(counts_of(c, height * 1000.0), c->adc_max);
}

static double since_launch(const lv_run_t *run) { return (double)(run->tick - run->lead) * run->tick_s; }

static double shaft_speed(const lv_run_t *run) {
    const double *y = run->state;
    return (y[WHEEL] + y[PITCH_RATE] + run->made.jacking * y[RISE_RATE]) * run->made.car.final_drive;
}

void lv_sense(lv_run_t *run, lv_reading_t *out) {
    const lift_image_t *c = run->controller.calibration;
    const double *y = run->state;
    run->heights[run->tick % RING] = along_beam(run);
    if (run->tick % c->sample_ticks == 0) {
        run->counts = read_sensor(run);
    }
    int32_t on_ground = front_tyre_1(&run->fixed, y, run->sine, run->cosine) > 0;
    double follow = run->tick_s / (on_ground ? WHEEL_ON_GROUND_S : WHEEL_IN_AIR_S);
    double goal = on_ground ? y[SPEED] : 0.0;
    run->front_wheel += (goal - run->front_wheel) * (follow < 1.0 ? follow : 1.0);
    double speed = c->speed_source == LIFT_FRONT_WHEEL_SPEED ? run->front_wheel : y[SPEED];
    out->tick = (int32_t)(run->tick & 0xFFFF);
    out->counts = run->counts;
    out->speed = cut(36.0 * speed, LIFT_SPEED_LIMIT);
    out->engine = cut(y[ENGINE] * 30.0 / PI, LIFT_ROTATION_LIMIT);
    out->shaft = cut(shaft_speed(run) * 30.0 / PI, LIFT_ROTATION_LIMIT);
    out->armed = 1;
    out->launch = run->tick >= run->lead;
}

/* ---- the strip's clocks ---- */

static double chord(double radius, double axle, double beam) {
    double off = axle - beam;
    return fabs(off) < radius ? sqrt(radius * radius - off * off) : -1.0;
}

static double between(double before, double now, double goal, double time_before, double time) {
    return now > before ? time_before + (time - time_before) * (goal - before) / (now - before) : time;
}

/* Look at the beams before the car moves. */
static void watch_strip(lv_run_t *run) {
    const lv_car_t *car = &run->made.car;
    lv_scores_t *s = &run->scores;
    const double *y = run->state;
    double time = since_launch(run);
    double sine = run->sine, cosine = run->cosine;
    double e = run->made.front_up - y[TRAVEL] + y[RISE];
    double axle_up = car->rear_radius + car->wheelbase * sine + e * cosine;
    double axle = y[WAY] + car->wheelbase * cosine - e * sine;
    double beam = car->wheelbase - run->front_chord + car->rollout;
    double half = chord(car->front_radius, axle_up, car->beam_height);
    double rear_half = chord(car->rear_radius, car->rear_radius, car->beam_height);
    double nose = y[WAY];
    double rear = y[WAY] + rear_half;
    if (!run->nose_started && nose >= car->rollout) {
        run->nose_started = 1;
        s->nose_start = between(run->previous_nose, nose, car->rollout, run->previous_time, time);
    }
    if (!run->beam_started && (half < 0 || axle - half >= beam)) {
        run->beam_started = 1;
        s->beam_start = time;
    }
    for (int32_t i = 0; i < LV_MARKS; i++) {
        double goal = beam + MARK_FT[i] * 0.3048;
        double nose_goal = goal - car->wheelbase - run->front_chord;
        if (isnan(s->nose_time[i]) && nose >= nose_goal) {
            s->nose_time[i] = between(run->previous_nose, nose, nose_goal, run->previous_time, time) - s->nose_start;
            s->velocity[i] = y[SPEED];
            s->gap[i] = axle_up - run->made.free_radius;
        }
        if (isnan(s->beam_time[i])) {
            if (half >= 0 && axle + half >= goal && axle - half <= goal) {
                s->beam_time[i] = time - s->beam_start;
            } else if (rear >= goal) {
                s->beam_time[i] = between(run->previous_rear, rear, goal, run->previous_time, time) - s->beam_start;
            }
        }
    }
    run->previous_nose = nose;
    run->previous_rear = rear;
    run->previous_time = time;
}

/* ---- a run ---- */

lv_run_t *lv_new(void) { return calloc(1, sizeof(lv_run_t)); }

void lv_free(lv_run_t *run) { free(run); }

static int64_t lead_of(const lift_image_t *c) {
    int64_t settle = ((int64_t)c->heal_samples + c->learn_window + 10) * c->sample_ticks;
    int64_t quiet = (250000 + c->tick_us - 1) / c->tick_us;
    return settle + quiet;
}

int32_t lv_begin(lv_run_t *run, const lv_car_t *car, const uint8_t *image, int64_t length,
                 const lv_track_t *track, int32_t controlled) {
    memset(run, 0, sizeof *run);
    lift_init(&run->controller);
    int32_t verdict = lift_load(&run->controller, image, (size_t)length);
    if (verdict != LIFT_IMAGE_OK) {
        return verdict;
    }
    const lift_image_t *c = run->controller.calibration;
    make(&run->made, car);
    fix_1(&run->fixed, 0, &run->made);
    tilt(run);
    run->track = *track;
    run->controlled = controlled;
    run->lead = lead_of(c);
    run->tick_s = c->tick_us * 1e-6;
    run->steps = (c->tick_us + LONGEST_STEP_US - 1) / LONGEST_STEP_US;
    run->step_s = run->tick_s / run->steps;
    int32_t late = (int32_t)floor(car->delay / run->step_s + 0.5);
    run->late_ticks = late / run->steps;
    run->late_steps = late % run->steps;
    run->delay_ticks = (int32_t)floor(car->sensor_delay / run->tick_s + 0.5);
    run->rng = rng_from(track->seed);
    run->state[ENGINE] = car->launch_speed;
    run->state[SHARE] = run->state[BOOST] = 1.0;
    run->gearbox.ratio = car->gear[0] * car->final_drive;
    run->front_chord = chord(car->front_radius, car->front_radius, car->beam_height);
    for (int32_t i = 0; i < LV_MARKS; i++) {
        run->scores.nose_time[i] = run->scores.beam_time[i] = NAN;
        run->scores.velocity[i] = run->scores.gap[i] = NAN;
    }
    run->scores.nose_start = run->scores.beam_start = NAN;
    /* So far beyond the mark that the rear tyre has passed it too. */
    run->distance = car->rollout + track->distance + car->wheelbase + 1.0;
    return 0;
}

int64_t lv_lead(const lv_run_t *run) { return run->lead; }

/* The command of this tick, before the car moves. */
static void command(lv_run_t *run, int32_t reduction, int32_t retard) {
    watch_strip(run);
    double degrees = retard / 10.0;
    double spark = 1.0 - run->made.car.retard_loss * degrees * degrees;
    run->shares[(run->tick - run->lead) % RING] = (1.0 - reduction / 1000.0) * (spark > 0 ? spark : 0.0);
}

/* When a step of this tick begins, and the share of torque that acts in it. */
static double at_step(const lv_run_t *run, int32_t number, double *share) {
    int64_t since = run->tick - run->lead;
    int64_t from = since - run->late_ticks - (number < run->late_steps);
    *share = from < 0 ? 1.0 : run->shares[from % RING];
    return (double)since * run->tick_s + number * run->step_s;
}

/* The tick is over: 0 while the run goes on. */
static int32_t ended(lv_run_t *run) {
    run->tick += 1;
    if (!(fabs(run->state[PITCH]) < TURNED_OVER)) {
        run->scores.turned_over = 1;
        return 1;
    }
    if (run->state[WAY] >= run->distance) {
        run->scores.finished = 1;
        return 1;
    }
    return since_launch(run) >= run->track.duration - 1e-9;
}

int32_t lv_act(lv_run_t *run, int32_t reduction, int32_t retard) {
    if (run->tick < run->lead) {
        run->tick += 1;
        return 0;
    }
    command(run, reduction, retard);
    lv_forces_t first = {0};
    for (int32_t i = 0; i < run->steps; i++) {
        double share, time = at_step(run, i, &share);
        step_alone(run, time, share);
        if (i == 0) {
            first = run->forces;
        }
    }
    run->forces = first;
    tilt(run);
    return ended(run);
}

static double ceiling(const lv_ceilings_t *c, const double *levels, double velocity, double time) {
    return c->points ? at(c->progress, levels, c->points, c->by_time ? time * 1000.0 : velocity * 3.6) : INFINITY;
}

static void see(const lv_run_t *run, double height, lv_row_t *row) {
    memset(row, 0, sizeof *row);
    const lv_made_t *m = &run->made;
    const lv_car_t *car = &m->car;
    const double *y = run->state;
    double sine = run->sine, cosine = run->cosine;
    double e = m->front_up - y[TRAVEL] + y[RISE], body = m->front_up + y[RISE];
    row->time = since_launch(run);
    row->way = y[WAY];
    row->velocity = y[SPEED];
    row->lift = car->wheelbase * sine + body * cosine - m->front_up;
    row->lift_rate = (car->wheelbase * cosine - body * sine) * y[PITCH_RATE] + cosine * y[RISE_RATE];
    row->pitch = y[PITCH];
    row->pitch_rate = y[PITCH_RATE];
    row->travel = y[TRAVEL];
    row->travel_rate = y[TRAVEL_RATE];
    row->gap = car->rear_radius + car->wheelbase * sine + e * cosine - m->free_radius;
    row->wheel_speed = y[WHEEL];
    row->slip = y[SLIP];
    row->engine_speed = y[ENGINE];
    row->share = y[SHARE];
    row->rear_rise = y[RISE];
    row->height = height;
    row->clearance = clearance(run);
    row->front_wheel = run->front_wheel;
}

void lv_view(const lv_run_t *run, lv_row_t *row) { see(run, along_beam(run), row); }

/* A tick's row from before the car moves; forces and command are filled in after. */
static void view(const lv_run_t *run, const lv_reading_t *read, lv_row_t *row) {
    see(run, run->heights[run->tick % RING], row);
    row->counts = read->counts;
    row->speed = read->speed;
    row->engine = read->engine;
    row->shaft = read->shaft;
    row->launch = read->launch;
}

static void add_forces(const lv_run_t *run, lv_row_t *row) {
    const lv_forces_t *f = &run->forces;
    row->acceleration = f->acceleration;
    row->front_load = f->front_load;
    row->rear_load = f->rear_load;
    row->thrust = f->thrust;
    row->bar_load = f->bar_load;
    row->gear_ratio = f->gear_ratio;
    row->torque = f->torque;
}

/* The forces on a car that stands. */
static void stand(lv_run_t *run) {
    lv_forces_t *f = &run->forces;
    f->front_load = run->made.front_static;
    f->rear_load = run->made.car.mass * GRAVITY - run->made.front_static;
    f->gear_ratio = run->gearbox.ratio;
}

static double least(double a, double b) { return a < b ? a : b; }
static double most(double a, double b) { return a < b ? b : a; }

static void judge(lv_run_t *run, const lv_ceilings_t *ceilings, const lv_row_t *row, lv_watch_t *w) {
    lv_scores_t *s = &run->scores;
    double dt = run->tick_s;
    if (row->lift > s->peak_lift) {
        s->peak_lift = row->lift;
        s->peak_time = row->time;
    }
    double mm = row->lift * 1000.0;
    s->above_start += mm > ceiling(ceilings, ceilings->start, row->velocity, row->time) ? dt : 0.0;
    s->above_full += mm > ceiling(ceilings, ceilings->full, row->velocity, row->time) ? dt : 0.0;
    s->beyond_sensor += row->height > run->made.car.sensor_farthest ? dt : 0.0;
    if (!w->flying && row->gap > FLIGHT_GAP) {
        w->flying = 1;
        s->flights += 1;
    } else if (w->flying && row->gap <= 0) {
        w->flying = 0;
        s->landing_speed = most(s->landing_speed, -row->lift_rate);
    }
    if (row->gap > 0) {
        s->air_time += dt;
        s->carry += row->velocity * dt;
    }
    s->front_load = most(s->front_load, row->front_load);
    s->strut_travel = most(s->strut_travel, -row->travel);
    s->clearance = least(s->clearance, row->clearance);
    s->bar_force = most(s->bar_force, row->bar_load);
    s->bar_time += row->bar_load > 0 ? dt : 0.0;
    s->bar_impulse += row->bar_load * dt;
    s->rear_load = least(s->rear_load, row->rear_load);
    s->rear_unloaded += row->rear_load <= 0 ? dt : 0.0;
    s->full_cut += row->reduction / 1000.0 * dt;
    s->torque_time += (1.0 - row->share) * row->torque * dt;
    s->peak_reduction = most(s->peak_reduction, row->reduction);
    s->peak_retard = most(s->peak_retard, row->retard);
    if (row->reduction != w->reduction) {
        int32_t direction = row->reduction > w->reduction ? 1 : -1;
        s->changes += 1;
        s->reversals += w->direction != 0 && direction != w->direction;
        w->direction = direction;
    }
    w->reduction = row->reduction;
    int32_t taking = row->reduction > 0 || row->retard > 0;
    s->latches += taking && !w->taking;
    w->taking = taking;
    int32_t faults = (int32_t)row->faults;
    s->out_of_sight += faults & LIFT_FAULT_OUT_OF_SIGHT ? dt : 0.0;
    s->out_of_service += faults & OUT_OF_SERVICE ? dt : 0.0;
    s->fault_at_launch = faults & LIFT_FAULT_AT_LAUNCH ? 1.0 : s->fault_at_launch;
    s->end_time = row->time + dt;
}

/* Everything of a tick before the car moves. */
static void before(lv_run_t *run, lv_row_t *row) {
    lv_reading_t read;
    lv_sense(run, &read);
    view(run, &read, row);
    if (run->controlled) {
        lift_inputs_t in = {.tick = read.tick, .counts = read.counts, .speed = read.speed, .speed_valid = 1,
                            .engine_speed = read.engine, .shaft_speed = read.shaft, .armed = 1,
                            .launch = read.launch};
        lift_step(&run->controller, &in);
        row->reduction = run->controller.command.reduction;
        row->retard = run->controller.command.retard;
        row->reason = run->controller.command.reason;
        row->faults = run->controller.faults;
        row->demand = run->controller.reduction.demand;
        row->lift_seen = run->controller.lift.value / 16000.0;
    }
}

/* And after. */
static void after(lv_run_t *run, const lv_ceilings_t *ceilings, lv_row_t *row) {
    add_forces(run, row);
    if (row->launch > 0) {
        judge(run, ceilings, row, &run->watch);
    }
}

static void start_scores(lv_run_t *run) {
    run->scores.clearance = run->scores.rear_load = INFINITY;
    stand(run);
}

int64_t lv_loop(lv_run_t *run, const lv_ceilings_t *ceilings, lv_row_t *rows, int64_t room, lv_scores_t *scores) {
    lv_row_t row;
    int64_t n = 0;
    int32_t over = 0;
    start_scores(run);
    while (!over) {
        before(run, &row);
        over = lv_act(run, (int32_t)row.reduction, (int32_t)row.retard);
        after(run, ceilings, &row);
        if (rows != NULL) {
            if (n >= room) {
                break;
            }
            rows[n] = row;
        }
        n += 1;
    }
    *scores = run->scores;
    return n;
}

/* ---- batches ---- */

/* The cases of a batch that are still to be driven, one car after the other. */
typedef struct {
    int64_t next, n;
    const lv_case_t *cases;
    int64_t length;
    lv_scores_t *scores;
} lv_batch_t;

static int32_t begin_case(lv_run_t *run, const lv_batch_t *b, int64_t number) {
    const lv_case_t *c = &b->cases[number];
    return lv_begin(run, c->car, c->image, b->length, &c->track, c->controlled);
}

static int32_t one_by_one(lv_batch_t *b) {
    lv_run_t *run = lv_new();
    if (run == NULL) {
        return -1;
    }
    int32_t verdict = 0;
    for (; b->next < b->n && verdict == 0; b->next++) {
        verdict = begin_case(run, b, b->next);
        if (verdict == 0) {
            lv_loop(run, b->cases[b->next].ceilings, NULL, 0, &b->scores[b->next]);
        }
    }
    lv_free(run);
    return verdict;
}

#ifdef WITH_AVX2
WITH_AVX2
/* Four cars that drive side by side, in equal steps. number: that of each lane's case, -1 where none is left. */
typedef struct {
    fixed_t_4 fixed;
    real_4 state[LV_STATES];
    given_t_4 given[3];
    lv_run_t *runs[4];
    lv_row_t rows[4];
    int64_t number[4];
    int32_t steps, midpoint;
    double step_s;
} lv_pack_t;

static int32_t fits(lv_pack_t *pack, const lv_run_t *run) {
    if (pack->steps == 0) {
        pack->steps = run->steps;
        pack->step_s = run->step_s;
        pack->midpoint = run->track.midpoint;
    }
    return run->steps == pack->steps && run->step_s == pack->step_s && run->track.midpoint == pack->midpoint;
}

/* Bring the next case to its launch, in this lane; those that do not fit beside the others drive alone. */
static int32_t fill_lane(lv_pack_t *pack, int32_t lane, lv_batch_t *b) {
    lv_run_t *run = pack->runs[lane];
    pack->number[lane] = -1;
    while (b->next < b->n) {
        int64_t number = b->next++;
        int32_t verdict = begin_case(run, b, number);
        if (verdict != 0) {
            return verdict;
        }
        if (!fits(pack, run)) {
            lv_loop(run, b->cases[number].ceilings, NULL, 0, &b->scores[number]);
            continue;
        }
        start_scores(run);
        for (; run->tick < run->lead; run->tick++) {
            before(run, &pack->rows[lane]);
        }
        fix_4(&pack->fixed, lane, &run->made);
        for (int32_t i = 0; i < LV_STATES; i++) {
            pack->state[i][lane] = run->state[i];
        }
        pack->number[lane] = number;
        return 0;
    }
    return 0;
}

static void step_pack(lv_pack_t *pack, int32_t number) {
    real_4 acceleration;
    forces_t_4 f;
    for (int32_t lane = 0; lane < 4; lane++) {
        lv_run_t *run = pack->runs[lane];
        if (pack->number[lane] < 0) {
            continue;
        }
        lv_given_t given[3];
        double share, time = at_step(run, number, &share);
        run->state[ENGINE] = pack->state[ENGINE][lane];
        give(run, time, share, given);
        for (int32_t i = 0; i < 3; i++) {
            give_4(&pack->given[i], lane, &given[i]);
        }
    }
    step_4(&pack->fixed, pack->state, pack->given, pack->step_s, pack->midpoint, &acceleration, &f);
    for (int32_t lane = 0; lane < 4 && number == 0; lane++) {
        pack->runs[lane]->forces = (lv_forces_t){
            acceleration[lane], f.pitch_acceleration[lane], f.front_load[lane], f.rear_load[lane],
            f.thrust[lane], f.bar_load[lane], pack->given[0].ratio[lane], f.torque[lane]};
    }
}

/* Move all by a tick. */
static void move_pack(lv_pack_t *pack) {
    for (int32_t i = 0; i < pack->steps; i++) {
        step_pack(pack, i);
    }
    real_4 sine, cosine;
    sine_cosine_4(pack->state[PITCH], &sine, &cosine);
    for (int32_t lane = 0; lane < 4; lane++) {
        lv_run_t *run = pack->runs[lane];
        run->sine = sine[lane];
        run->cosine = cosine[lane];
        for (int32_t i = 0; i < LV_STATES; i++) {
            run->state[i] = pack->state[i][lane];
        }
    }
}

static int32_t drive_pack(lv_pack_t *pack, lv_batch_t *b) {
    int32_t verdict = 0, driving = 0;
    for (int32_t lane = 0; lane < 4 && verdict == 0; lane++) {
        verdict = fill_lane(pack, lane, b);
        driving += pack->number[lane] >= 0;
        if (pack->number[lane] < 0) { /* it goes along empty */
            fix_4(&pack->fixed, lane, &pack->runs[0]->made);
        }
    }
    while (driving > 0 && verdict == 0) {
        for (int32_t lane = 0; lane < 4; lane++) {
            if (pack->number[lane] >= 0) {
                before(pack->runs[lane], &pack->rows[lane]);
                command(pack->runs[lane], (int32_t)pack->rows[lane].reduction, (int32_t)pack->rows[lane].retard);
            }
        }
        move_pack(pack);
        for (int32_t lane = 0; lane < 4 && verdict == 0; lane++) {
            lv_run_t *run = pack->runs[lane];
            int64_t number = pack->number[lane];
            if (number < 0) {
                continue;
            }
            int32_t over = ended(run);
            after(run, b->cases[number].ceilings, &pack->rows[lane]);
            if (over) {
                b->scores[number] = run->scores;
                verdict = fill_lane(pack, lane, b);
                driving -= pack->number[lane] < 0;
            }
        }
    }
    return verdict;
}

static int32_t side_by_side(lv_batch_t *b) {
    lv_pack_t *pack = calloc(1, sizeof *pack);
    lv_run_t *runs = calloc(4, sizeof *runs);
    int32_t verdict = -1;
    if (runs != NULL && pack != NULL) {
        for (int32_t lane = 0; lane < 4; lane++) {
            pack->runs[lane] = &runs[lane];
        }
        verdict = drive_pack(pack, b);
    }
    free(pack);
    free(runs);
    return verdict;
}
WITHOUT_AVX2
#endif

int32_t lv_lanes(void) {
#ifdef WITH_AVX2
    return __builtin_cpu_supports("avx2") ? 4 : 1;
#else
    return 1;
#endif
}

int32_t lv_batch(int64_t n, const lv_case_t *cases, int64_t length, int32_t lanes, lv_scores_t *scores) {
    lv_batch_t batch = {.n = n, .cases = cases, .length = length, .scores = scores};
#ifdef WITH_AVX2
    if (lanes >= 4 && lv_lanes() >= 4) {
        return side_by_side(&batch);
    }
#endif
    (void)lanes;
    return one_by_one(&batch);
}

/* ---- under a command that is given ---- */

/* Begin the change that falls into the step at its own instant, not at the step's start. */
static void foresee_shift(lv_gearbox_t *g, const lv_car_t *car, double time, double h) {
    if (!g->shifting && g->gear + 1 < car->gears && car->shift_at[g->gear] < time + h) {
        g->shifting = 1;
        g->since = car->shift_at[g->gear];
        g->next = car->gear[g->gear + 1] * car->final_drive;
    }
}

int64_t lv_follow(const lv_car_t *car, double h, int64_t n, const double *share, int64_t each, lv_seen_t *rows) {
    lv_run_t *run = lv_new();
    if (run == NULL) {
        return -1;
    }
    make(&run->made, car);
    fix_1(&run->fixed, 0, &run->made);
    tilt(run);
    run->made.car.shift_by_time = 1;
    run->step_s = h;
    run->state[ENGINE] = car->launch_speed;
    run->state[SHARE] = run->state[BOOST] = 1.0;
    run->gearbox.ratio = car->gear[0] * car->final_drive;
    const double *y = run->state;
    int64_t made = 0;
    for (int64_t i = 0; i < n && fabs(y[PITCH]) < TURNED_OVER; i++) {
        double time = (double)i * h;
        if (i % each == 0) {
            double lift = car->wheelbase * run->sine + (run->made.front_up + y[RISE]) * run->cosine;
            rows[made++] = (lv_seen_t){along_beam(run), y[SPEED], y[ENGINE], lift - run->made.front_up, shaft_speed(run)};
        }
        foresee_shift(&run->gearbox, car, time, h);
        step_alone(run, time, share[i]);
        tilt(run);
    }
    lv_free(run);
    return made;
}
