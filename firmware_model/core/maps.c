/* Reduction and retard over lift and progress: see maps.h. */
#include "maps.h"

#include "fixed.h"

void lift_maps_reset(lift_maps_t *m, const lift_image_t *calibration) {
    m->calibration = calibration;
    m->column = 0;
    m->across = 0;
    m->width = 1;
    m->right = 0;
    m->reduction = 0;
    m->retard = 0;
}

/* The last point not above the place, or the first point. */
static int32_t segment(const uint16_t *axis, int32_t points, int32_t at) {
    for (int32_t i = 1; i < points; i++) {
        if (at < axis[i]) {
            return i - 1;
        }
    }
    return points - 1;
}

static int32_t segment_signed(const int16_t *axis, int32_t points, int32_t at) {
    for (int32_t i = 1; i < points; i++) {
        if (at < axis[i]) {
            return i - 1;
        }
    }
    return points - 1;
}

/* Four cells blended by part/span along the lift axis and across/width along progress. */
static int32_t bilinear(const lift_maps_t *m, const uint16_t *table, int32_t cell, int32_t down, int32_t part,
                        int32_t span) {
    int32_t first = table[cell];
    int32_t second = table[cell + m->right];
    int32_t third = table[cell + down];
    int32_t fourth = table[cell + down + m->right];
    if (first == second && second == third && third == fourth) {
        return first;
    }
    /* rest + part is the span, 65534 at most: 16 * LIFT_FULL * 65534 + half is below 2**30. So left and
     * beside are 16 * LIFT_FULL at most, and the last line's weights together are the width: 16008 * 65535 <
     * 2**30. */
    int32_t rest = span - part;
    int32_t half = span >> 1;
    int32_t left = ((first * rest + third * part) * 16 + half) / span;
    int32_t beside = ((second * rest + fourth * part) * 16 + half) / span;
    return (left * (m->width - m->across) + beside * m->across + 8 * m->width) / (16 * m->width);
}

static void find_column(lift_maps_t *m, int32_t progress) {
    const lift_image_t *c = m->calibration;
    const uint16_t *axis = c->progress_axis;
    int32_t column = segment(axis, c->progress_points, progress);
    int32_t across = progress - axis[column];
    m->column = column;
    if (across > 0 && column + 1 < c->progress_points) {
        m->across = across;
        m->width = (int32_t)axis[column + 1] - axis[column];
        m->right = 1;
    } else {
        m->across = 0;
        m->width = 1;
        m->right = 0;
    }
}

static void blend(lift_maps_t *m, int32_t row, int32_t down, int32_t part, int32_t span) {
    const lift_image_t *c = m->calibration;
    int32_t cell = row * LIFT_AXIS_POINTS + m->column;
    m->reduction = bilinear(m, c->reduction_map, cell, down, part, span);
    m->retard = bilinear(m, c->retard_map, cell, down, part, span);
}

void lift_maps_look(lift_maps_t *m, int32_t lift, int32_t progress) {
    const lift_image_t *c = m->calibration;
    find_column(m, progress);
    const int16_t *axis = c->lift_axis;
    int32_t row = segment_signed(axis, c->lift_points, lift);
    int32_t part = lift - axis[row];
    if (part > 0 && row + 1 < c->lift_points) {
        blend(m, row, LIFT_AXIS_POINTS, part, (int32_t)axis[row + 1] - axis[row]);
    } else {
        blend(m, row, 0, 0, 1);
    }
}

/* The greatest value that blending a table's rows from one on would give. One division serves them all, as a
 * quotient never falls when its numerator rises. */
static int32_t greatest(const lift_maps_t *m, const uint16_t *table, int32_t row, int32_t rows) {
    int32_t end = rows * LIFT_AXIS_POINTS;
    int32_t right = m->right;
    int32_t across = m->across;
    int32_t rest = m->width - across;
    int32_t most = 0;
    for (int32_t cell = row * LIFT_AXIS_POINTS + m->column; cell < end; cell += LIFT_AXIS_POINTS) {
        int32_t value = table[cell] * rest + table[cell + right] * across;
        if (value > most) {
            most = value;
        }
    }
    /* Both weights together are the width: most <= LIFT_FULL * 65535; 16008 * 65535 is below 2**30. */
    return (most * 16 + 8 * m->width) / (16 * m->width);
}

void lift_maps_look_out_of_sight(lift_maps_t *m, int32_t end_lift, int32_t progress) {
    const lift_image_t *c = m->calibration;
    lift_maps_look(m, end_lift, progress);
    int32_t row = 0;
    while (row < c->lift_points && c->lift_axis[row] <= end_lift) {
        row += 1;
    }
    m->reduction = lift_max(m->reduction, greatest(m, c->reduction_map, row, c->lift_points));
    m->retard = lift_max(m->retard, greatest(m, c->retard_map, row, c->lift_points));
}

uint32_t lift_maps_digest(const lift_maps_t *m, uint32_t crc) {
    return lift_crc32_word(lift_crc32_word(crc, m->reduction), m->retard);
}
