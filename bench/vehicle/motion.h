/* How the car moves: its rates at one state, and a step of them. Included twice by vehicle.c: with LANES 1 for a
 * car alone, with LANES 4 for four cars side by side in one register. Each operation is the same one in the same
 * order for both, so that a car comes out equal to the bit whatever drives beside it: no branch but those that
 * leave out what no lane needs, choices by masks, sine and cosine from our own polynomials, and a compiler that
 * must not join a product and a sum (-ffp-contract=off). See equations.py for the meaning of each letter. */

#define JOIN_(name, lanes) name##_##lanes
#define JOIN(name, lanes) JOIN_(name, lanes)
#define OF_LANES(name) JOIN(name, LANES)
#define real OF_LANES(real)
#define mask OF_LANES(mask)

#if LANES == 1
typedef double real;
typedef int64_t mask; /* 0 or not */
#define LANE(number, lane) ((&(number))[lane])
#define choose(where, then, otherwise) ((where) ? (then) : (otherwise))
#define any(where) ((where) != 0)
#else
typedef double real __attribute__((vector_size(8 * LANES), aligned(8))); /* wherever malloc puts it */
typedef int64_t mask __attribute__((vector_size(8 * LANES))); /* all bits of a lane, or none */
#define LANE(number, lane) ((number)[lane])
#define choose(where, then, otherwise) OF_LANES(choose)(where, then, otherwise)
#define any(where) OF_LANES(any)(where)

static INLINE real choose(mask where, real then, real otherwise) {
    return (real)(((mask)then & where) | ((mask)otherwise & ~where));
}

static INLINE int32_t any(mask where) { return (where[0] | where[1] | where[2] | where[3]) != 0; }
#endif

#define none ((real){0})
#define one (none + 1.0)

/* ---- what each lane's car is, and what acts on it ---- */

typedef struct {
#define DECLARE(name) real name;
    FIXED(DECLARE)
#undef DECLARE
    const lv_table_t *torque[LANES];
    int32_t at_torque[LANES]; /* where in that table: only saves time */
} OF_LANES(fixed_t);

/* What depends on the time alone. */
typedef struct {
    real share, ratio, ratio_rate, throttle, open, carries;
} OF_LANES(given_t);

typedef struct {
    real pitch_acceleration, front_load, rear_load, thrust, bar_load, torque;
} OF_LANES(forces_t);

#define fixed_t OF_LANES(fixed_t)
#define given_t OF_LANES(given_t)
#define forces_t OF_LANES(forces_t)
#define size_of OF_LANES(size_of)
#define greater OF_LANES(greater)
#define sine_cosine OF_LANES(sine_cosine)
#define front_tyre OF_LANES(front_tyre)
#define stop_force OF_LANES(stop_force)
#define strut_force OF_LANES(strut_force)
#define clutched OF_LANES(clutched)
#define drive_line OF_LANES(drive_line)
#define gripped OF_LANES(gripped)
#define rates_of OF_LANES(rates_of)
#define moved OF_LANES(moved)
#define step OF_LANES(step)

static void OF_LANES(fix)(fixed_t *m, int32_t lane, const lv_made_t *made) {
#define FILL(name) LANE(m->name, lane) = made->name;
    FIXED(FILL)
#undef FILL
    m->torque[lane] = &made->torque;
    m->at_torque[lane] = 0;
}

static void OF_LANES(give)(given_t *g, int32_t lane, const lv_given_t *given) {
    LANE(g->share, lane) = given->share;
    LANE(g->ratio, lane) = given->ratio;
    LANE(g->ratio_rate, lane) = given->ratio_rate;
    LANE(g->throttle, lane) = given->throttle;
    LANE(g->open, lane) = given->open;
    LANE(g->carries, lane) = given->carries;
}

/* ---- numbers ---- */

static INLINE real size_of(real a) { return choose(a < 0.0, -a, a); }

static INLINE real greater(real a, real b) { return choose(a < b, b, a); }

/* Of an angle up to a right one either way: Taylor's series, even and odd terms apart so that they are worked out
 * side by side. At most 2.3e-16 off there, and beyond it only turned-over cars go. */
static INLINE void sine_cosine(real angle, real *sine, real *cosine) {
    real z = angle * angle, w = z * z;
    real s_even = ((((1.0 / 51090942171709440000.0 * w + 1.0 / 355687428096000.0) * w + 1.0 / 6227020800.0) * w +
                    1.0 / 362880.0) * w + 1.0 / 120.0) * w;
    real s_odd = ((((w * (1.0 / 121645100408832000.0) + 1.0 / 1307674368000.0) * w + 1.0 / 39916800.0) * w +
                   1.0 / 5040.0) * w + 1.0 / 6.0);
    real c_even = ((((w * (1.0 / 2432902008176640000.0) + 1.0 / 20922789888000.0) * w + 1.0 / 479001600.0) * w +
                    1.0 / 40320.0) * w + 1.0 / 24.0) * w;
    real c_odd = (((((w * (1.0 / 1124000727777607680000.0) + 1.0 / 6402373705728000.0) * w + 1.0 / 87178291200.0) * w +
                    1.0 / 3628800.0) * w + 1.0 / 720.0) * w);
    *sine = angle + angle * (s_even - z * s_odd);
    *cosine = 1.0 - (0.5 * z - (c_even - z * c_odd));
}

/* ---- forces ---- */

static INLINE real stop_force(const fixed_t *m, real depth, real rate) {
    real force = m->stop_rate * depth + m->stop_damping * rate;
    return choose((depth > 0.0) & (force > 0.0), force, none);
}

static INLINE real strut_force(const fixed_t *m, real travel, real rate) {
    real force = greater(m->strut_static - m->front_spring * travel, none);
    force -= choose(rate > 0.0, m->rebound, m->bump) * rate;
    force -= stop_force(m, travel - m->droop, rate);
    return force + stop_force(m, -m->bump_travel - travel, -rate);
}

static INLINE real front_tyre(const fixed_t *m, const real *y, real sine, real cosine) {
    real axle = m->rear_radius + m->wheelbase * sine + (m->front_up - y[TRAVEL] + y[RISE]) * cosine;
    return greater(m->front_tyre_rate * (m->free_radius - axle), none);
}

static INLINE real clutched(const fixed_t *m, real engine, real turbine, real carries) {
    real turns = engine * m->per_launch_speed, c = m->clutch_centrifugal;
    real most = carries * (1.0 - c + c * turns * turns);
    real carried = (engine - turbine) * m->locking;
    return choose(carried > most, most, choose(carried < -most, -most, carried));
}

/* Torque into the gearbox; sets the rates of engine, boost and share, and the torque at full command. */
static INLINE real drive_line(fixed_t *restrict m, const given_t *restrict g, const real *restrict y, real turbine,
                              real *restrict dy, real *restrict full) {
    real engine = y[ENGINE];
    real taken = none, out = none;
    mask clutch = m->clutch_torque > 0.0, turns = engine > 1.0;
    if (any(clutch)) {
        taken = out = clutched(m, engine, turbine, g->carries);
    }
    if (any(m->clutch_torque <= 0.0)) {
        real ratio = greater(choose(turns, turbine / engine, none), none);
        real squared = ratio * ratio;
        real load = greater(1.0 - squared * squared * squared * ratio, -one);
        real pump = m->converter * engine * size_of(engine) * load;
        real more = choose(ratio >= m->coupling, one, m->converter_ratio + m->converter_slope * ratio);
        taken = choose(clutch, taken, pump);
        out = choose(clutch, out, choose(pump > 0.0, pump * more, pump));
    }
    real curve = none;
    for (int32_t i = 0; i < LANES; i++) {
        LANE(curve, i) = look_up(m->torque[i], LANE(engine, i), &m->at_torque[i]);
    }
    *full = (curve + m->friction) * g->open * (1.0 - m->boost * (1.0 - y[BOOST]));
    real friction = m->friction * choose(turns, one, engine);
    dy[ENGINE] = (y[SHARE] * *full - friction - taken) * m->per_engine_inertia;
    dy[SHARE] = (g->share - y[SHARE]) * m->per_lag;
    dy[BOOST] = (g->throttle * y[SHARE] - y[BOOST]) * m->per_boost_lag;
    return out;
}

/* Thrust as a share of the rear load. */
static INLINE real gripped(const fixed_t *m, real slip) {
    real s = slip * m->per_peak_slip;
    real shape = 2.0 * s / (1.0 + s * s);
    real slides = shape * (1.0 - m->sliding) + choose(s > 0.0, m->sliding, -m->sliding);
    return m->grip * choose(size_of(s) > 1.0, slides, shape);
}

static void rates_of(fixed_t *restrict m, const given_t *restrict g, const real *restrict y, real *restrict dy,
                     forces_t *restrict f) {
    real sine, cosine;
    sine_cosine(y[PITCH], &sine, &cosine);
    real speed = y[SPEED], q = y[PITCH_RATE], du = y[TRAVEL_RATE], dw = y[RISE_RATE];
    real mb = m->body_mass, mf = m->front_unsprung;
    real p = m->body_ahead, r = m->body_up + y[RISE];
    real length = m->wheelbase;
    real e = m->front_up - y[TRAVEL] + y[RISE];
    real up = p * sine + r * cosine, ahead = p * cosine - r * sine;                                   /* body CG */
    real front_up = length * sine + e * cosine, front_ahead = length * cosine - e * sine; /* front wheel */

    real turn = y[WHEEL] + q + m->jacking * dw, ratio = g->ratio;
    real out = drive_line(m, g, y, ratio * turn, dy, &f->torque);
    real through = ratio * (out * choose(out > 0.0, m->efficiency, m->per_efficiency));
    real drive = through - ratio * m->input_inertia * g->ratio_rate * turn;
    real inertia = m->input_inertia * ratio * ratio;

    /* forces */
    real front = front_tyre(m, y, sine, cosine);
    real bar_low = m->bar_low + y[RISE];
    real bar_arm = -m->bar_behind * cosine - bar_low * sine;
    real bar_depth = m->bar_behind * sine - bar_low * cosine - m->rear_radius;
    real bar = none;
    mask on_bar = (m->bar_rate > 0.0) & (bar_depth > 0.0);
    if (any(on_bar)) {
        bar = m->bar_rate * bar_depth - m->bar_damping * (bar_arm * q + cosine * dw);
        bar = choose(on_bar, greater(bar, none), none);
    }
    real strut = strut_force(m, y[TRAVEL], du);
    real drag = m->drag * speed * size_of(speed);
    real crawl = choose(speed > 0.5, one, choose(speed < -0.5, -one, 2.0 * speed));
    real rolling = m->rolling * crawl;

    /* generalised forces less the velocity terms, without the thrust */
    real q2 = q * q, slide = du - dw;
    real db = -ahead * q2 - 2.0 * cosine * q * dw, dbz = -up * q2 - 2.0 * sine * q * dw;
    real df = -front_ahead * q2 + 2.0 * cosine * q * slide, dfz = -front_up * q2 + 2.0 * sine * q * slide;
    real lean = mf * e * q2;
    real fx = -drag - rolling - mb * db - mf * df;
    real ft = -mb * GRAVITY * ahead - mf * GRAVITY * front_ahead + front * front_ahead + bar * bar_arm + drag * up +
              drive - 2.0 * mb * q * dw * r + 2.0 * mf * q * slide * e;
    real fu = mf * GRAVITY * cosine + strut - front * cosine - lean;

    /* the strut and the wheel's spin drop out first */
    real per_all = 1.0 / (m->wheel_inertia + inertia);
    real part = inertia * per_all;
    real joined = part * m->wheel_inertia;
    real axx = m->mass - mf * sine * sine;
    real axt = -(mb * up + mf * front_up) + mf * sine * length;
    real att = m->pitch_inertia + mb * (p * p + r * r) + mf * (length * length + e * e) - mf * length * length + joined;
    real bx = fx - sine * fu, bt = ft + length * fu - part * drive;
    /* the same for one newton of thrust: it acts on the way and on the wheel */
    real tx = one, tt = part * m->rear_radius;

    /* then the rise */
    mask sprung = m->rear_spring > 0.0;
    real axw = none, atw = none, bw = none, tw = none, per_aww = none;
    if (any(sprung)) {
        real a = m->jacking;
        real rear = greater(m->rear_static - m->rear_spring * y[RISE], none) - m->rear_damping * dw;
        rear += stop_force(m, -m->rear_travel - y[RISE], -dw) - stop_force(m, y[RISE] - m->rear_travel, dw);
        real fw = -(mb + mf) * GRAVITY * cosine + front * cosine + bar * cosine + drag * sine + rear + a * drive +
                  mb * r * q2 + lean;
        axw = -mb * sine;
        atw = mb * p + joined * a;
        per_aww = choose(sprung, 1.0 / (mb + joined * a * a), none);
        bw = fw + fu - a * part * drive;
        tw = a * part * m->rear_radius;
        real of_x = axw * per_aww, of_t = atw * per_aww;
        axx -= of_x * axw;
        axt -= of_x * atw;
        att -= of_t * atw;
        bx -= of_x * bw;
        bt -= of_t * bw;
        tx -= of_x * tw;
        tt -= of_t * tw;
    }
    real per_det = 1.0 / (axx * att - axt * axt);
    real x0 = (bx * att - axt * bt) * per_det, x1 = (tx * att - axt * tt) * per_det;
    real t0 = (axx * bt - axt * bx) * per_det, t1 = (axx * tt - axt * tx) * per_det;
    real w0 = (bw - axw * x0 - atw * t0) * per_aww;
    real w1 = (tw - axw * x1 - atw * t1) * per_aww;
    real u0 = fu * m->per_front_unsprung - sine * x0 + length * t0 + w0, u1 = -sine * x1 + length * t1 + w1;

    /* rear load: what the vertical motion asks of the ground; the thrust is a share of it */
    real load0 = m->mass * GRAVITY + mb * (ahead * t0 + cosine * w0 + dbz) +
                 mf * (front_ahead * t0 + cosine * (w0 - u0) + dfz) - front - bar;
    real load1 = mb * (ahead * t1 + cosine * w1) + mf * (front_ahead * t1 + cosine * (w1 - u1));
    real grip = gripped(m, y[SLIP]);
    real rear_load = load0 / (1.0 - grip * load1);
    real thrust = choose(rear_load > 0.0, grip * rear_load, none);

    real dt = t0 + t1 * thrust, dww = w0 + w1 * thrust;
    dy[WAY] = speed;
    dy[SPEED] = x0 + x1 * thrust;
    dy[PITCH] = q;
    dy[PITCH_RATE] = dt;
    dy[TRAVEL] = du;
    dy[TRAVEL_RATE] = u0 + u1 * thrust;
    dy[WHEEL] = (drive - thrust * m->rear_radius - inertia * (dt + m->jacking * dww)) * per_all;
    dy[SLIP] = ((y[WHEEL] * m->rear_radius - speed) - size_of(speed) * y[SLIP]) * m->per_relaxation;
    dy[RISE] = dw;
    dy[RISE_RATE] = dww;

    f->pitch_acceleration = dt;
    f->front_load = front;
    f->rear_load = load0 + load1 * thrust;
    f->thrust = thrust;
    f->bar_load = bar;
}

/* ---- a step ---- */

static INLINE void moved(real *z, const real *y, double h, const real *k) {
    for (int32_t i = 0; i < LV_STATES; i++) {
        z[i] = y[i] + h * k[i];
    }
}

/* One step of h seconds, with what is given at its start, middle and end: the classic fourth-order Runge-Kutta
 * method, or the midpoint method of second order. Acceleration and forces are those at its start. */
static void step(fixed_t *m, real *y, const given_t given[3], double h, int32_t midpoint, real *acceleration,
                 forces_t *f) {
    real z[LV_STATES], k1[LV_STATES], k2[LV_STATES], k3[LV_STATES], k4[LV_STATES];
    forces_t scrap;
    y[SHARE] = choose(m->per_lag > 0.0, y[SHARE], given[0].share);
    rates_of(m, &given[0], y, k1, f);
    *acceleration = k1[SPEED];
    moved(z, y, 0.5 * h, k1);
    rates_of(m, &given[1], z, k2, &scrap);
    if (midpoint) {
        moved(y, y, h, k2);
        return;
    }
    moved(z, y, 0.5 * h, k2);
    rates_of(m, &given[1], z, k3, &scrap);
    moved(z, y, h, k3);
    rates_of(m, &given[2], z, k4, &scrap);
    for (int32_t i = 0; i < LV_STATES; i++) {
        y[i] += h / 6.0 * (k1[i] + 2.0 * k2[i] + 2.0 * k3[i] + k4[i]);
    }
}

#undef real
#undef mask
#undef LANE
#undef choose
#undef any
#undef none
#undef one
#undef fixed_t
#undef given_t
#undef forces_t
#undef size_of
#undef greater
#undef sine_cosine
#undef front_tyre
#undef stop_force
#undef strut_force
#undef clutched
#undef drive_line
#undef gripped
#undef rates_of
#undef moved
#undef step
#undef OF_LANES
#undef JOIN
#undef JOIN_
