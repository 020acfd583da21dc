/* The car in closed loop: see vehicle.h, and model.py for the equations and the meaning of each letter. */
#include "core/liftlatch.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "vehicle.h"

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

/* What follows from a car's parameters and does not change. */
typedef struct {
    lv_car_t car;
    double body_mass, body_ahead, body_up; /* the body's centre of gravity from the rear axle */
    double front_up;                       /* front wheel centre over the rear axle */
    double front_static, strut_static, rear_static, free_radius, jacking;
    double input_inertia, locking;
} lv_made_t;

typedef struct {
    int32_t gear, shifting;
    double since, ratio, next;
} lv_gearbox_t;

struct lv_run {
    lift_controller_t controller;
    lv_made_t made;
    lv_track_t track;
    int32_t controlled;
    int64_t lead, tick;
    double tick_s, step_s;
    int32_t steps, delay_steps, delay_ticks;
    double state[LV_STATES];
    lv_gearbox_t gearbox;
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

static void make(lv_made_t *m, const lv_car_t *car) {
    m->car = *car;
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
    m->input_inertia = car->turbine_inertia + car->clutch_inertia;
    double first = car->gear[0] * car->final_drive;
    double behind = m->input_inertia + car->wheel_inertia / (first * first);
    m->locking = 1.0 / (LOCKS_S * (1.0 / car->engine_inertia + 1.0 / behind));
}

static double stop_force(const lv_car_t *car, double depth, double rate) {
    double force = depth > 0 ? car->stop_rate * depth + car->stop_damping * rate : 0.0;
    return force > 0 ? force : 0.0;
}

static double strut_force(const lv_made_t *m, double travel, double rate) {
    const lv_car_t *car = &m->car;
    double spring = m->strut_static - car->front_spring * travel;
    double force = spring > 0 ? spring : 0.0;
    force -= (rate > 0 ? car->rebound : car->bump) * rate;
    force -= stop_force(car, travel - car->droop, rate);
    return force + stop_force(car, -car->bump_travel - travel, -rate);
}

static double front_tyre(const lv_made_t *m, const double *y, double sine, double cosine) {
    double axle = m->car.rear_radius + m->car.wheelbase * sine +
                  (m->front_up - y[TRAVEL] + y[RISE]) * cosine;
    double force = m->car.front_tyre_rate * (m->free_radius - axle);
    return force > 0 ? force : 0.0;
}

static double converter_ratio(const lv_car_t *car, double speed_ratio) {
    if (speed_ratio >= car->coupling) {
        return 1.0;
    }
    return car->converter_ratio + (1.0 - car->converter_ratio) * speed_ratio / car->coupling;
}

static double clutch_torque(const lv_made_t *m, double engine, double turbine, double time) {
    const lv_car_t *car = &m->car;
    double risen = (time - car->clutch_after) / car->clutch_rise;
    double most = car->clutch_torque + (car->clutch_full - car->clutch_torque) * risen;
    if (time <= car->clutch_after) {
        most = car->clutch_torque;
    } else if (time >= car->clutch_after + car->clutch_rise) {
        most = car->clutch_full;
    }
    double turns = engine / car->launch_speed, c = car->clutch_centrifugal;
    most *= 1.0 - c + c * turns * turns;
    double carried = (engine - turbine) * m->locking;
    return carried > most ? most : carried < -most ? -most : carried;
}

static void rates_of(const lv_made_t *m, double time, const double *y, double share, double ratio,
                     double ratio_rate, double *dy, lv_forces_t *f) {
    const lv_car_t *car = &m->car;
    double sine = sin(y[PITCH]), cosine = cos(y[PITCH]);
    double speed = y[SPEED], q = y[PITCH_RATE], du = y[TRAVEL_RATE], dw = y[RISE_RATE];
    double mb = m->body_mass, mf = car->front_unsprung;
    double p = m->body_ahead, r = m->body_up + y[RISE];
    double length = car->wheelbase;
    double e = m->front_up - y[TRAVEL] + y[RISE];
    double up = p * sine + r * cosine, ahead = p * cosine - r * sine;                /* body CG */
    double front_up = length * sine + e * cosine, front_ahead = length * cosine - e * sine; /* front wheel */

    /* drive line */
    double turn = y[WHEEL] + q + m->jacking * dw;
    double turbine = ratio * turn;
    double engine = y[ENGINE];
    double taken, out;
    if (car->clutch_torque > 0) {
        taken = out = clutch_torque(m, engine, turbine, time);
    } else {
        double speed_ratio = engine > 1.0 ? turbine / engine : 0.0;
        if (speed_ratio < 0) {
            speed_ratio = 0;
        }
        double sr2 = speed_ratio * speed_ratio;
        double load = 1.0 - sr2 * sr2 * sr2 * speed_ratio;
        taken = car->converter * engine * fabs(engine) * (load > -1.0 ? load : -1.0);
        out = taken > 0 ? taken * converter_ratio(car, speed_ratio) : taken;
    }
    double open = at(car->throttle_time, car->throttle, car->throttle_points, time);
    dy[BOOST] = car->boost > 0 ? (open * y[SHARE] - y[BOOST]) / car->boost_lag : 0.0;
    if (time < car->full_after) {
        open *= car->launch_share + (1.0 - car->launch_share) * time / car->full_after;
    }
    double full = (at(car->torque_speed, car->torque, car->torque_points, engine) + car->friction) * open;
    full *= 1.0 - car->boost * (1.0 - y[BOOST]);
    double friction = engine > 1.0 ? car->friction : car->friction * engine;
    dy[ENGINE] = (y[SHARE] * full - friction - taken) / car->engine_inertia;
    dy[SHARE] = car->lag > 0 ? (share - y[SHARE]) / car->lag : 0.0;

    double through = ratio * (out > 0 ? out * car->efficiency : out / car->efficiency);
    double drive = through - ratio * m->input_inertia * ratio_rate * turn;
    double inertia = m->input_inertia * ratio * ratio;

    /* forces */
    double front = front_tyre(m, y, sine, cosine);
    double bar_low = m->car.bar_clear - car->rear_radius + y[RISE];
    double bar_arm = -car->bar_behind * cosine - bar_low * sine;
    double bar_depth = -(car->rear_radius - car->bar_behind * sine + bar_low * cosine);
    double bar = 0.0;
    if (car->bar_rate > 0 && bar_depth > 0) {
        bar = car->bar_rate * bar_depth - car->bar_damping * (bar_arm * q + cosine * dw);
        bar = bar > 0 ? bar : 0.0;
    }
    double strut = strut_force(m, y[TRAVEL], du);
    double drag = 0.5 * car->air_density * car->drag_area * speed * fabs(speed);
    double crawl = speed > 0.5 ? 1.0 : speed < -0.5 ? -1.0 : speed / 0.5;
    double rolling = car->rolling * car->mass * GRAVITY * crawl;

    /* generalised forces less the velocity terms, without the thrust */
    double db = -ahead * q * q - 2.0 * cosine * q * dw, dbz = -up * q * q - 2.0 * sine * q * dw;
    double slide = du - dw;
    double df = -front_ahead * q * q + 2.0 * cosine * q * slide, dfz = -front_up * q * q + 2.0 * sine * q * slide;
    double lean = mf * e * q * q;
    double fx = -drag - rolling - mb * db - mf * df;
    double ft = -mb * GRAVITY * ahead - mf * GRAVITY * front_ahead + front * front_ahead + bar * bar_arm +
                drag * up + drive - 2.0 * mb * q * dw * r + 2.0 * mf * q * slide * e;
    double fu = mf * GRAVITY * cosine + strut - front * cosine - lean;
    double fp = drive;

    /* the strut and the wheel's spin drop out first */
    double all = car->wheel_inertia + inertia;
    double joined = inertia * car->wheel_inertia / all;
    double axx = car->mass - mf * sine * sine;
    double axt = -(mb * up + mf * front_up) + mf * sine * length;
    double att = car->pitch_inertia + mb * (p * p + r * r) + mf * (length * length + e * e) - mf * length * length + joined;
    double bx = fx - sine * fu, bt = ft + length * fu - inertia * fp / all;
    /* the same for one newton of thrust: it acts on the way and on the wheel */
    double tx = 1.0, tt = inertia * car->rear_radius / all;

    double axw = 0, atw = 0, aww = 1, bw = 0, tw = 0, fw = 0;
    if (car->rear_spring > 0) {
        double a = m->jacking;
        double rear = m->rear_static - car->rear_spring * y[RISE];
        rear = (rear > 0 ? rear : 0.0) - car->rear_damping * dw;
        rear += stop_force(car, -car->rear_travel - y[RISE], -dw) - stop_force(car, y[RISE] - car->rear_travel, dw);
        fw = -(mb + mf) * GRAVITY * cosine + front * cosine + bar * cosine + drag * sine + rear + a * drive +
             mb * r * q * q + lean;
        axw = -mb * sine;
        atw = mb * p + joined * a;
        aww = mb + joined * a * a;
        bw = fw + fu - a * inertia * fp / all;
        tw = a * inertia * car->rear_radius / all;
        axx -= axw * axw / aww;
        axt -= axw * atw / aww;
        att -= atw * atw / aww;
        bx -= axw * bw / aww;
        bt -= atw * bw / aww;
        tx -= axw * tw / aww;
        tt -= atw * tw / aww;
    }
    double det = axx * att - axt * axt;
    double x0 = (bx * att - axt * bt) / det, x1 = (tx * att - axt * tt) / det;
    double t0 = (axx * bt - axt * bx) / det, t1 = (axx * tt - axt * tx) / det;
    double w0 = 0, w1 = 0;
    if (car->rear_spring > 0) {
        w0 = (bw - axw * x0 - atw * t0) / aww;
        w1 = (tw - axw * x1 - atw * t1) / aww;
    }
    double u0 = fu / mf - sine * x0 + length * t0 + w0, u1 = -sine * x1 + length * t1 + w1;

    /* rear load: what the vertical motion asks of the ground; the thrust is a share of it */
    double load0 = car->mass * GRAVITY + mb * (ahead * t0 + cosine * w0 + dbz) +
                   mf * (front_ahead * t0 + cosine * (w0 - u0) + dfz) - front - bar;
    double load1 = mb * (ahead * t1 + cosine * w1) + mf * (front_ahead * t1 + cosine * (w1 - u1));
    double s = y[SLIP] / car->peak_slip;
    double shape = 2.0 * s / (1.0 + s * s);
    if (fabs(s) > 1.0) {
        shape = shape * (1.0 - car->sliding) + (s > 0 ? car->sliding : -car->sliding);
    }
    double grip = car->grip * shape;
    double rear_load = load0 / (1.0 - grip * load1);
    double thrust = rear_load > 0 ? grip * rear_load : 0.0;
    rear_load = load0 + load1 * thrust;

    double dt = t0 + t1 * thrust, dww = w0 + w1 * thrust;
    dy[WAY] = speed;
    dy[SPEED] = x0 + x1 * thrust;
    dy[PITCH] = q;
    dy[PITCH_RATE] = dt;
    dy[TRAVEL] = du;
    dy[TRAVEL_RATE] = u0 + u1 * thrust;
    dy[WHEEL] = (drive - thrust * car->rear_radius - inertia * (dt + m->jacking * dww)) / all;
    dy[SLIP] = ((y[WHEEL] * car->rear_radius - speed) - fabs(speed) * y[SLIP]) / car->relaxation;
    dy[RISE] = dw;
    dy[RISE_RATE] = dww;

    f->acceleration = dy[SPEED];
    f->pitch_acceleration = dt;
    f->front_load = front;
    f->rear_load = rear_load;
    f->thrust = thrust;
    f->bar_load = bar;
    f->gear_ratio = ratio;
    f->torque = full;
}

void lv_rates(const lv_car_t *car, double time, const double *state, double share, double ratio, double ratio_rate,
              double *rates, lv_forces_t *forces) {
    lv_made_t m;
    make(&m, car);
    rates_of(&m, time, state, share, ratio, ratio_rate, rates, forces);
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

/* One step of the classic fourth-order Runge-Kutta method; forces are those at its start. */
static void step(lv_run_t *run, double time, double share) {
    const lv_made_t *m = &run->made;
    const lv_car_t *car = &m->car;
    double h = run->step_s;
    double *y = run->state, z[LV_STATES], k1[LV_STATES], k2[LV_STATES], k3[LV_STATES], k4[LV_STATES];
    lv_forces_t scrap;
    shift(&run->gearbox, car, time, y[ENGINE]);
    if (car->lag <= 0) {
        y[SHARE] = share;
    }
    double rate, ratio = ratio_at(&run->gearbox, car, time, &rate);
    rates_of(m, time, y, share, ratio, rate, k1, &run->forces);
    for (int32_t i = 0; i < LV_STATES; i++) {
        z[i] = y[i] + 0.5 * h * k1[i];
    }
    ratio = ratio_at(&run->gearbox, car, time + 0.5 * h, &rate);
    rates_of(m, time + 0.5 * h, z, share, ratio, rate, k2, &scrap);
    for (int32_t i = 0; i < LV_STATES; i++) {
        z[i] = y[i] + 0.5 * h * k2[i];
    }
    rates_of(m, time + 0.5 * h, z, share, ratio, rate, k3, &scrap);
    for (int32_t i = 0; i < LV_STATES; i++) {
        z[i] = y[i] + h * k3[i];
    }
    ratio = ratio_at(&run->gearbox, car, time + h, &rate);
    rates_of(m, time + h, z, share, ratio, rate, k4, &scrap);
    for (int32_t i = 0; i < LV_STATES; i++) {
        y[i] += h / 6.0 * (k1[i] + 2.0 * k2[i] + 2.0 * k3[i] + k4[i]);
    }
}

/* ---- what can be seen of it ---- */

static double along_beam(const lv_run_t *run) {
    const lv_car_t *car = &run->made.car;
    const double *y = run->state;
    double sine = sin(y[PITCH]), cosine = cos(y[PITCH]);
    double height = car->rear_radius + (car->wheelbase + car->sensor_ahead) * sine +
                    (car->sensor_height - car->rear_radius + y[RISE]) * cosine;
    const lv_track_t *t = &run->track;
    if (t->road != NULL && t->road_points > 1) {
        double place = (y[WAY] + car->wheelbase + car->sensor_ahead) / t->road_step;
        int64_t i = (int64_t)floor(place);
        i = i < 0 ? 0 : i > t->road_points - 2 ? t->road_points - 2 : i;
        height -= t->road[i] + (t->road[i + 1] - t->road[i]) * (place - (double)i);
    }
    return height / cosine;
}

static double clearance(const lv_run_t *run) {
    const lv_car_t *car = &run->made.car;
    const double *y = run->state;
    return car->rear_radius + (car->wheelbase + car->sensor_ahead) * sin(y[PITCH]) +
           (car->sensor_height - car->rear_radius + y[RISE]) * cos(y[PITCH]);
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
    double sine = sin(y[PITCH]), cosine = cos(y[PITCH]);
    double follow = run->tick_s / (front_tyre(&run->made, y, sine, cosine) > 0 ? WHEEL_ON_GROUND_S : WHEEL_IN_AIR_S);
    double goal = front_tyre(&run->made, y, sine, cosine) > 0 ? y[SPEED] : 0.0;
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
    double sine = sin(y[PITCH]), cosine = cos(y[PITCH]);
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
    run->track = *track;
    run->controlled = controlled;
    run->lead = lead_of(c);
    run->tick_s = c->tick_us * 1e-6;
    run->steps = (c->tick_us + LONGEST_STEP_US - 1) / LONGEST_STEP_US;
    run->step_s = run->tick_s / run->steps;
    run->delay_steps = (int32_t)floor(car->delay / run->step_s + 0.5);
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

int32_t lv_act(lv_run_t *run, int32_t reduction, int32_t retard) {
    const lv_car_t *car = &run->made.car;
    if (run->tick < run->lead) {
        run->tick += 1;
        return 0;
    }
    int64_t since = run->tick - run->lead;
    watch_strip(run);
    double degrees = retard / 10.0;
    double spark = 1.0 - car->retard_loss * degrees * degrees;
    run->shares[since % RING] = (1.0 - reduction / 1000.0) * (spark > 0 ? spark : 0.0);
    lv_forces_t first = {0};
    for (int32_t i = 0; i < run->steps; i++) {
        int64_t from = since * run->steps + i - run->delay_steps;
        double share = from < 0 ? 1.0 : run->shares[(from / run->steps) % RING];
        step(run, (double)since * run->tick_s + i * run->step_s, share);
        if (i == 0) {
            first = run->forces;
        }
    }
    run->forces = first;
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

static double ceiling(const lv_ceilings_t *c, const double *levels, double velocity, double time) {
    return c->points ? at(c->progress, levels, c->points, c->by_time ? time * 1000.0 : velocity * 3.6) : INFINITY;
}

void lv_view(const lv_run_t *run, lv_row_t *row) {
    memset(row, 0, sizeof *row);
    const lv_made_t *m = &run->made;
    const lv_car_t *car = &m->car;
    const double *y = run->state;
    double sine = sin(y[PITCH]), cosine = cos(y[PITCH]);
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
    row->height = along_beam(run);
    row->clearance = clearance(run);
    row->front_wheel = run->front_wheel;
}

/* A tick's row from before the car moves; forces and command are filled in after. */
static void view(const lv_run_t *run, const lv_reading_t *read, lv_row_t *row) {
    lv_view(run, row);
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

typedef struct {
    int32_t flying, direction, taking;
    double reduction;
} lv_watch_t;

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

int64_t lv_loop(lv_run_t *run, const lv_ceilings_t *ceilings, lv_row_t *rows, int64_t room, lv_scores_t *scores) {
    lv_watch_t watch = {0};
    lv_row_t row;
    run->scores.clearance = run->scores.rear_load = INFINITY;
    stand(run);
    int64_t n = 0;
    int32_t ended = 0;
    while (!ended) {
        lv_reading_t read;
        lv_sense(run, &read);
        view(run, &read, &row);
        if (run->controlled) {
            lift_inputs_t in = {.tick = read.tick, .counts = read.counts, .speed = read.speed, .speed_valid = 1,
                              .engine_speed = read.engine, .shaft_speed = read.shaft, .armed = 1,
                              .launch = read.launch};
            lift_step(&run->controller, &in);
            row.reduction = run->controller.command.reduction;
            row.retard = run->controller.command.retard;
            row.reason = run->controller.command.reason;
            row.faults = run->controller.faults;
            row.demand = run->controller.reduction.demand;
            row.lift_seen = run->controller.lift.value / 16000.0;
        }
        ended = lv_act(run, (int32_t)row.reduction, (int32_t)row.retard);
        add_forces(run, &row);
        if (read.launch) {
            judge(run, ceilings, &row, &watch);
        }
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

int32_t lv_batch(int64_t n, const lv_case_t *cases, int64_t length, lv_scores_t *scores) {
    lv_run_t *run = lv_new();
    if (run == NULL) {
        return -1;
    }
    int32_t verdict = 0;
    for (int64_t i = 0; i < n && verdict == 0; i++) {
        const lv_case_t *c = &cases[i];
        verdict = lv_begin(run, c->car, c->image, length, &c->track, c->controlled);
        if (verdict == 0) {
            lv_loop(run, c->ceilings, NULL, 0, &scores[i]);
        }
    }
    lv_free(run);
    return verdict;
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
            double lift = car->wheelbase * sin(y[PITCH]) + (run->made.front_up + y[RISE]) * cos(y[PITCH]);
            rows[made++] = (lv_seen_t){along_beam(run), y[SPEED], y[ENGINE], lift - run->made.front_up, shaft_speed(run)};
        }
        foresee_shift(&run->gearbox, car, time, h);
        step(run, time, share[i]);
    }
    lv_free(run);
    return made;
}
