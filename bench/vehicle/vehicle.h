/* The car in closed loop with the controller, compiled: the fast twin of equations.py and loop.py.
 *
 * SI units and radians throughout, doubles allowed: nothing here goes into a device. The equations are stated
 * in equations.py; here they are eliminated by hand, there they are solved as they stand. Reads its own memory
 * only, so runs may go on side by side in several threads.
 */
#ifndef LV_VEHICLE_H
#define LV_VEHICLE_H

enum { LV_POINTS = 16, LV_GEARS = 6, LV_STATES = 13, LV_MARKS = 5 };

/* A car: the parameters of bench.vehicle.car.Car, by the same names. */
typedef struct {
    double mass, wheelbase, cg_ahead, cg_height, pitch_inertia, front_unsprung, rear_unsprung;
    double rear_radius, grip, peak_slip, sliding, relaxation, wheel_inertia;
    double front_radius, front_tyre_rate;
    double front_spring, rebound, bump, droop, bump_travel, stop_rate, stop_damping;
    double bar_behind, bar_clear, bar_rate, bar_damping;
    double rear_spring, rear_damping, rear_travel, anti_squat;
    double friction, engine_inertia, launch_speed, launch_share, full_after, boost, boost_lag;
    double converter, converter_ratio, coupling, turbine_inertia;
    double clutch_torque, clutch_full, clutch_after, clutch_rise, clutch_centrifugal, clutch_inertia;
    double shift_time, final_drive, efficiency;
    double drag_area, air_density, rolling;
    double delay, lag, retard_loss;
    double sensor_ahead, sensor_height, sensor_farthest, sensor_noise, sensor_delay;
    double rollout, beam_height;
    int32_t torque_points, throttle_points, gears, shift_by_time, beyond_high;
    double torque_speed[LV_POINTS], torque[LV_POINTS];
    double throttle_time[LV_POINTS], throttle[LV_POINTS];
    double gear[LV_GEARS], shift_at[LV_GEARS];
} lv_car_t;

/* Where the car drives and how its sensor is disturbed. road: heights in metres every road_step metres from the
 * start of the rear axle on, or null. */
typedef struct {
    uint64_t seed;
    double noise;
    const double *road;
    int64_t road_points;
    double road_step;
    double distance;  /* m the front has to cover past the start beam */
    double duration;  /* s at most */
    int32_t midpoint; /* steps of the midpoint method: half the work, less exact */
} lv_track_t;

/* Ceilings over progress for the time spent above them; start is the lower of the two that begin a cut. */
typedef struct {
    int32_t points, by_time;
    double progress[LV_POINTS], start[LV_POINTS], full[LV_POINTS];
} lv_ceilings_t;

/* What the controller reads in one tick, in its units. */
typedef struct {
    int32_t tick, counts, speed, engine, shaft, armed, launch;
} lv_reading_t;

/* One tick as it is recorded; names and units as in bench.vehicle.results.ROW. */
typedef struct {
    double time, way, velocity, acceleration, lift, lift_rate, pitch, pitch_rate, travel, travel_rate, gap;
    double front_load, rear_load, thrust, bar_load, wheel_speed, slip, engine_speed, gear_ratio, share, torque;
    double height, clearance, front_wheel, rear_rise, counts, speed, engine, shaft, launch;
    double reduction, retard, reason, faults, demand, lift_seen;
} lv_row_t;

/* What a run comes to; names and units as in bench.vehicle.results.SCORES. */
typedef struct {
    double end_time, turned_over, finished;
    double peak_lift, peak_time, above_start, above_full, beyond_sensor, flights, air_time, carry;
    double landing_speed, front_load, strut_travel, clearance;
    double bar_force, bar_time, bar_impulse, rear_load, rear_unloaded;
    double full_cut, torque_time, peak_reduction, peak_retard, changes, reversals, latches, out_of_sight;
    double out_of_service, fault_at_launch;
    double nose_start, beam_start;
    double nose_time[LV_MARKS], beam_time[LV_MARKS], velocity[LV_MARKS], gap[LV_MARKS];
} lv_scores_t;

/* Forces and rates at one state, for comparing with the other formulation. */
typedef struct {
    double acceleration, pitch_acceleration, front_load, rear_load, thrust, bar_load, gear_ratio, torque;
} lv_forces_t;

/* What a recording shows of a car, and the lift of its front axle: m, m/s, rad/s, m, rad/s of the drive shaft. */
typedef struct {
    double height, velocity, engine_speed, lift, shaft_speed;
} lv_seen_t;

typedef struct lv_run lv_run_t;

/* One run of a batch; `controlled` 0 leaves the engine at full torque. */
typedef struct {
    const lv_car_t *car;
    const uint8_t *image;
    const lv_ceilings_t *ceilings;
    lv_track_t track;
    int32_t controlled;
} lv_case_t;

lv_run_t *lv_new(void);
void lv_free(lv_run_t *run);

/* Start a run before its standing phase; 0, or why the image is refused. */
int32_t lv_begin(lv_run_t *run, const lv_car_t *car, const uint8_t *image, int64_t length,
                 const lv_track_t *track, int32_t controlled);

/* Ticks that the car stands before the launch. */
int64_t lv_lead(const lv_run_t *run);

/* What the controller reads in this tick; then lv_act with what it says moves the car by one tick.
 * lv_act gives 0 while the run goes on. */
void lv_sense(lv_run_t *run, lv_reading_t *out);
int32_t lv_act(lv_run_t *run, int32_t reduction, int32_t retard);

/* What the car does at this moment; the fields of forces and command stay 0. */
void lv_view(const lv_run_t *run, lv_row_t *row);

/* The whole run with the compiled controller. rows: room for `room` ticks, or null; gives the ticks made. */
int64_t lv_loop(lv_run_t *run, const lv_ceilings_t *ceilings, lv_row_t *rows, int64_t room, lv_scores_t *scores);

/* Cars that this processor drives side by side: 4 or 1. */
int32_t lv_lanes(void);

/* Many runs, so many side by side as `lanes` and the processor allow; equal to the bit whatever that is. */
int32_t lv_batch(int64_t n, const lv_case_t *cases, int64_t length, int32_t lanes, lv_scores_t *scores);

/* n steps of h seconds from the launch on with a share of torque commanded for each, delay and retard already in
 * it. The gear changes at the times shift_at, to fractions of a step, so that what is seen depends smoothly on
 * them. A row before every `each` steps; gives the rows made, fewer where the car turns over, -1 with no memory. */
int64_t lv_follow(const lv_car_t *car, double h, int64_t n, const double *share, int64_t each, lv_seen_t *rows);

/* Sine and cosine of a pitch, as the car has them: the same bits on every processor and in every lane. */
void lv_sine_cosine(double angle, double *sine, double *cosine);

/* The right-hand side alone: rates[LV_STATES] at a state, `ratio` and its rate of change given. */
void lv_rates(const lv_car_t *car, double time, const double *state, double share, double ratio, double ratio_rate,
              double *rates, lv_forces_t *forces);

#endif
