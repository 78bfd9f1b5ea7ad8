/* The correction model; see driftgate_correction.h. The order of the arithmetic is that of the model. */
#include "driftgate_correction.h"

#include <math.h>

#ifdef __FAST_MATH__
#error "compile without -ffast-math: the stages compare with limits that it would move"
#endif

#define DG_PI 3.14159265358979323846
#define DG_PARALLEL_M 1e-15       /* a beam along a surface meets nothing */
#define DG_END_SHARE 1e-12        /* no beam slips through a corner by rounding */
#define DG_LEAST_COSINE 1e-12
#define DG_TOUCHING_M 1e-9        /* two surfaces do not hide the corner that they share */
#define DG_EDGE_ON_SHARE 1e-12
#define DG_ON_THE_SPOT_M 0.01 /* a path of no larger radius is a turn on the spot */
#define DG_AT_LIMIT (1.0 + 1e-9)  /* cruising at a limit keeps it */
#define DG_LEAST_VARIANCE 1e-24   /* [m^2] */
#define DG_LEAST_SHARE 1e-9       /* of an innovation's variance that common constants may leave */
#define DG_LEAST_LEVER_M 1e-3     /* a difference that changes by less per radian tells no heading */

#define DG_OF_SENSOR 4            /* constants of a sensor: bias, scale, angle, aside */
#define DG_MOST_EFFECTS 16        /* of two sensors, of a surface and of the wall that carries it */

enum { DG_RIM, DG_FOOT, DG_END };

typedef struct {
    double px, py, ux, uy, half;
} dg_beam;

typedef struct {
    int hit;
    double range, ux, uy, cosine;
    int kind;
} dg_answer;

typedef struct {
    double x, y, h;
} dg_three;

/* By how much one standard deviation of a constant changes a reading. */
typedef struct {
    int constant;
    double size; /* [m] */
} dg_effect;

static double dg_least(double a, double b) { return a < b ? a : b; }
static double dg_most(double a, double b) { return a > b ? a : b; }

/* ---- geometry: rays and cones against segments and discs ---------------------------------------- */

static double dg_ray_to_segment(const dg_beam *b, double ax, double ay, double bx, double by) {
    double ex = bx - ax, ey = by - ay, wx = ax - b->px, wy = ay - b->py;
    double cross = b->ux * ey - b->uy * ex, inverse, range, share;
    if (!(fabs(cross) > DG_PARALLEL_M)) return DG_FAR;
    inverse = 1.0 / cross;
    range = (wx * ey - wy * ex) * inverse;
    share = (wx * b->uy - wy * b->ux) * inverse;
    return range >= 0.0 && fabs(share - 0.5) <= 0.5 + DG_END_SHARE ? range : DG_FAR;
}

static double dg_ray_to_disc(const dg_beam *b, double cx, double cy, double radius) {
    double wx = cx - b->px, wy = cy - b->py, radius2 = radius * radius;
    double along = wx * b->ux + wy * b->uy, across = wx * b->uy - wy * b->ux;
    double half2 = radius2 - across * across, range;
    if (wx * wx + wy * wy <= radius2) return 0.0;
    range = along - sqrt(dg_most(half2, 0.0));
    return half2 >= 0.0 && range >= 0.0 ? range : DG_FAR;
}

/* The nearest point of a segment inside a cone answers: the foot of the perpendicular, where the cone's
 * rim meets the segment, or an end of it. A line (half width 0) answers where it meets the segment. */
static dg_answer dg_answer_of(const dg_beam *b, double ax, double ay, double bx, double by) {
    dg_answer found = {0, DG_FAR, b->ux, b->uy, 1.0, DG_RIM};
    double ex = bx - ax, ey = by - ay, wx = ax - b->px, wy = ay - b->py, vx = bx - b->px, vy = by - b->py;
    double c, s, a_along, a_left, b_along, b_left, low = 0.0, high = 1.0, length2, foot, share, x, y, across;
    int i, hit = 1;
    if (b->half == 0.0) {
        found.range = dg_ray_to_segment(b, ax, ay, bx, by);
        found.hit = found.range < DG_FAR;
        if (found.hit) found.cosine = fabs(b->ux * ey - b->uy * ex) / hypot(ex, ey);
        return found;
    }
    c = cos(b->half);
    s = sin(b->half);
    a_along = wx * b->ux + wy * b->uy;
    a_left = b->ux * wy - b->uy * wx;
    b_along = vx * b->ux + vy * b->uy;
    b_left = b->ux * vy - b->uy * vx;
    for (i = 0; i < 2; i++) {
        double side = i == 0 ? c : -c;
        double at_a = side * a_left - s * a_along, at_b = side * b_left - s * b_along, change = at_b - at_a;
        double crossing = -at_a / (change == 0.0 ? 1.0 : change);
        if (change > 0.0) high = dg_least(high, crossing);
        if (change < 0.0) low = dg_most(low, crossing);
        hit = hit && (at_a <= 0.0 || at_b <= 0.0);
    }
    length2 = ex * ex + ey * ey;
    if (!(length2 > 0.0)) length2 = 1.0;
    foot = -(wx * ex + wy * ey) / length2;
    share = dg_least(dg_most(foot, low), high);
    x = share == 1.0 ? vx : wx + share * ex;
    y = share == 1.0 ? vy : wy + share * ey;
    found.range = hypot(x, y);
    across = fabs(wx * ey - wy * ex) / sqrt(length2);
    found.hit = hit && low <= high && across >= DG_EDGE_ON_SHARE * found.range;
    if (!found.hit) {
        found.range = DG_FAR;
        return found;
    }
    if (found.range > 0.0) {
        found.ux = x / found.range;
        found.uy = y / found.range;
        found.cosine = dg_least(across / found.range, 1.0);
    }
    found.kind = share == foot ? DG_FOOT : share == 0.0 || share == 1.0 ? DG_END : DG_RIM;
    return found;
}

static double dg_disc_in_cone(const dg_beam *b, double cx, double cy, double radius) {
    double wx = cx - b->px, wy = cy - b->py, along, left, c, s, side;
    dg_beam rim = *b;
    if (b->half == 0.0) return dg_ray_to_disc(b, cx, cy, radius);
    along = wx * b->ux + wy * b->uy;
    left = b->ux * wy - b->uy * wx;
    c = cos(b->half);
    s = sin(b->half);
    if (fabs(left) * c <= along * s) return dg_most(hypot(wx, wy) - radius, 0.0);
    side = left >= 0.0 ? s : -s;
    rim.ux = b->ux * c - b->uy * side;
    rim.uy = b->uy * c + b->ux * side;
    return dg_ray_to_disc(&rim, cx, cy, radius);
}

static double dg_point_to_segment(double px, double py, double ax, double ay, double bx, double by) {
    double ex = bx - ax, ey = by - ay, wx = px - ax, wy = py - ay, length2 = ex * ex + ey * ey;
    double share = (wx * ex + wy * ey) / (length2 > 0.0 ? length2 : 1.0);
    share = dg_least(dg_most(share, 0.0), 1.0);
    return hypot(wx - share * ex, wy - share * ey);
}

static double dg_left_of(double ax, double ay, double bx, double by, double px, double py) {
    return (bx - ax) * (py - ay) - (by - ay) * (px - ax);
}

static double dg_segments(double ax, double ay, double bx, double by, double cx, double cy, double dx,
                          double dy) {
    double nearest;
    if (dg_left_of(ax, ay, bx, by, cx, cy) * dg_left_of(ax, ay, bx, by, dx, dy) < 0.0 &&
        dg_left_of(cx, cy, dx, dy, ax, ay) * dg_left_of(cx, cy, dx, dy, bx, by) < 0.0)
        return 0.0;
    /* Two segments that do not cross are nearest at an end of one of them. */
    nearest = dg_point_to_segment(ax, ay, cx, cy, dx, dy);
    nearest = dg_least(nearest, dg_point_to_segment(bx, by, cx, cy, dx, dy));
    nearest = dg_least(nearest, dg_point_to_segment(cx, cy, ax, ay, bx, by));
    return dg_least(nearest, dg_point_to_segment(dx, dy, ax, ay, bx, by));
}

/* ---- association: which surface, and what should be read of it ----------------------------------- */

static dg_beam dg_beam_of(const dg_sensor *sensor, dg_pose pose) {
    double c = cos(pose.heading_rad), s = sin(pose.heading_rad);
    double along = cos(sensor->mount_rad), aside = sin(sensor->mount_rad);
    dg_beam b;
    b.px = pose.x_m + (c * sensor->mount_x_m - s * sensor->mount_y_m);
    b.py = pose.y_m + (s * sensor->mount_x_m + c * sensor->mount_y_m);
    b.ux = c * along - s * aside;
    b.uy = s * along + c * aside;
    b.half = sensor->half_width_rad;
    return b;
}

static int dg_reaches(double low, double high, const dg_sensor *sensor) {
    return low <= sensor->mount_height_m && sensor->mount_height_m <= high;
}

/* What answers in a cone whose nearest surface is met too obliquely to echo: of the surfaces that face the
 * sensor, squarely enough and in reach, the nearest whose sight line is free of all others. */
static int dg_beside(const dg_routine *routine, const dg_sensor *sensor, const dg_beam *b) {
    double least = cos(sensor->echo_limit_rad), nearest = DG_FAR, square = 0.0;
    int i, j, surface = -1;
    for (i = 0; i < routine->surfaces_count; i++) {
        const dg_surface *e = &routine->surfaces[i];
        dg_beam ray = *b;
        dg_answer a;
        int hidden = 0;
        if (!dg_reaches(e->low_m, e->high_m, sensor)) continue;
        if (!(dg_left_of(e->ax_m, e->ay_m, e->bx_m, e->by_m, b->px, b->py) > 0.0)) continue;
        a = dg_answer_of(b, e->ax_m, e->ay_m, e->bx_m, e->by_m);
        if (!(a.cosine >= least && a.range <= sensor->reach_m)) continue;
        if (!(a.range < nearest || (a.range == nearest && a.cosine > square))) continue;
        ray.ux = a.ux;
        ray.uy = a.uy;
        for (j = 0; j < routine->surfaces_count && !hidden; j++) {
            const dg_surface *o = &routine->surfaces[j];
            if (j == i || !dg_reaches(o->low_m, o->high_m, sensor)) continue;
            hidden = dg_ray_to_segment(&ray, o->ax_m, o->ay_m, o->bx_m, o->by_m) < a.range - DG_TOUCHING_M;
        }
        if (hidden) continue;
        nearest = a.range;
        square = a.cosine;
        surface = i;
    }
    return surface;
}

static int dg_associate(const dg_routine *routine, const dg_sensor *sensor, const dg_beam *b) {
    double nearest = DG_FAR, square = 0.0;
    int i, surface = -1;
    for (i = 0; i < routine->surfaces_count; i++) {
        const dg_surface *e = &routine->surfaces[i];
        dg_answer a;
        if (!dg_reaches(e->low_m, e->high_m, sensor)) continue;
        a = dg_answer_of(b, e->ax_m, e->ay_m, e->bx_m, e->by_m);
        /* Two faces answer alike from a corner that they share: the one met more squarely has the echo. */
        if (a.range < nearest ||
            (b->half > 0.0 && a.range == nearest && a.cosine > square && a.range < DG_FAR)) {
            nearest = a.range;
            square = a.cosine;
            surface = i;
        }
    }
    if (b->half > 0.0 && surface >= 0 && square < cos(sensor->echo_limit_rad)) {
        int other = dg_beside(routine, sensor, b);
        if (other >= 0) surface = other;
    }
    return surface;
}

/* The range r along u to the line n.q = d is (d - n.p) / (n.u), and dr/dp = -n / (n.u).
 * At a foot of the perpendicular u = -n; at an end q of the surface dr/dp = -u. Returns 0 along the line. */
static int dg_model(const dg_surface *e, dg_pose pose, const dg_beam *b, dg_expected *out) {
    double nx = e->normal_x, ny = e->normal_y, mx = 0.5 * (e->ax_m + e->bx_m), my = 0.5 * (e->ay_m + e->by_m);
    double ux = b->ux, uy = b->uy, closing, inverse;
    int kind = DG_RIM;
    double range = 0.0;
    out->ux = ux;
    out->uy = uy;
    out->x_m = pose.x_m;
    out->y_m = pose.y_m;
    if (b->half > 0.0) {
        dg_answer a = dg_answer_of(b, e->ax_m, e->ay_m, e->bx_m, e->by_m);
        kind = a.kind;
        range = a.range;
        out->ux = ux = a.ux;
        out->uy = uy = a.uy;
        if (kind == DG_FOOT) {
            double facing = nx * (b->px - mx) + ny * (b->py - my) >= 0.0 ? -1.0 : 1.0;
            ux = facing * nx;
            uy = facing * ny;
        }
    }
    closing = nx * ux + ny * uy;
    out->incidence_rad = acos(dg_least(fabs(closing), 1.0));
    if (kind == DG_END) {
        out->range_m = range;
        out->d_x = -ux;
        out->d_y = -uy;
        out->d_heading = -(ux * (pose.y_m - b->py) + uy * (b->px - pose.x_m));
        out->d_angle = 0.0;
        return 1;
    }
    if (!(fabs(closing) > DG_LEAST_COSINE)) return 0;
    inverse = 1.0 / closing;
    out->range_m = (nx * (mx - b->px) + ny * (my - b->py)) * inverse;
    out->d_x = -nx * inverse;
    out->d_y = -ny * inverse;
    /* The beam turns, and the sensor swings about the robot. */
    out->d_angle = (out->d_y * ux - out->d_x * uy) * out->range_m;
    out->d_heading = out->d_angle + out->d_x * (pose.y_m - b->py) + out->d_y * (b->px - pose.x_m);
    return 1;
}

static dg_expected dg_expect_surface(const dg_routine *routine, dg_pose pose, int sensor, int surface) {
    dg_beam b = dg_beam_of(&routine->sensors[sensor], pose);
    dg_expected out = {-1,   1.0,  0.0,  0.0,  0.0,  0.0, 0.0, pose.x_m, pose.y_m,
                       b.px, b.py, b.ux, b.uy, b.ux, b.uy};
    if (surface >= 0 && surface < routine->surfaces_count)
        if (dg_model(&routine->surfaces[surface], pose, &b, &out)) out.surface = surface;
    return out;
}

dg_expected dg_expect(const dg_routine *routine, dg_pose compared, int sensor, int planned_surface) {
    dg_expected out;
    int surface = planned_surface;
    if (!routine->correction.expect_planned) {
        dg_beam b = dg_beam_of(&routine->sensors[sensor], compared);
        surface = dg_associate(routine, &routine->sensors[sensor], &b);
    }
    out = dg_expect_surface(routine, compared, sensor, surface);
    /* From where the robot believes to be, the planned surface may lie behind the sensor. */
    if (routine->correction.expect_planned && !(out.range_m > 0.0)) out.surface = -1;
    return out;
}

/* ---- validity ----------------------------------------------------------------------------------- */

static int dg_blocked(const dg_routine *routine, double time_s, const dg_sensor *sensor,
                      const dg_expected *x) {
    const dg_correction *k = &routine->correction;
    const dg_surface *e = &routine->surfaces[x->surface];
    dg_beam cone = {x->px_m, x->py_m, x->axis_x, x->axis_y, 0.0};
    double px = x->px_m, py = x->py_m;
    double hx = x->px_m + x->range_m * x->ux, hy = x->py_m + x->range_m * x->uy;
    int i, j;
    cone.half = sensor->half_width_rad;
    if (k->edge_margin_m > 0.0 &&
        dg_least(hypot(hx - e->ax_m, hy - e->ay_m), hypot(hx - e->bx_m, hy - e->by_m)) < k->edge_margin_m)
        return 1;
    if (k->corridor_m < 0.0) return 0;
    for (i = 0; i < routine->obstacles_count; i++) {
        const dg_obstacle *o = &routine->obstacles[i];
        if (o->owner == e->owner || !dg_reaches(o->low_m, o->high_m, sensor)) continue;
        if (!(o->begin_s <= time_s && time_s <= o->end_s)) continue;
        if (o->disc) {
            if (dg_point_to_segment(o->x_m, o->y_m, px, py, hx, hy) <= o->radius_m + k->corridor_m) return 1;
            /* Whatever stands in a cone and nearer than the answer is in the way as well. */
            if (cone.half > 0.0 && dg_disc_in_cone(&cone, o->x_m, o->y_m, o->radius_m) < x->range_m) return 1;
            continue;
        }
        for (j = o->side_first; j < o->side_first + o->side_count; j++) {
            const dg_side *q = &routine->sides[j];
            double away = dg_segments(px, py, hx, hy, q->ax_m, q->ay_m, q->bx_m, q->by_m);
            if (away <= k->corridor_m) return 1;
            if (cone.half > 0.0 && dg_answer_of(&cone, q->ax_m, q->ay_m, q->bx_m, q->by_m).range < x->range_m)
                return 1;
        }
    }
    return 0;
}

int dg_validity(const dg_routine *routine, const dg_instant *instant, int sensor,
                const dg_expected *expected) {
    const dg_correction *k = &routine->correction;
    const dg_sensor *s = &routine->sensors[sensor];
    if (expected->surface < 0) return DG_NO_SURFACE;
    if (k->reference_only && !routine->surfaces[expected->surface].reference) return DG_NOT_REFERENCE;
    if (expected->range_m < s->low_m || expected->range_m > s->high_m) return DG_OUT_OF_RANGE;
    if (expected->incidence_rad > s->incidence_rad) return DG_INCIDENCE;
    if (dg_blocked(routine, instant->time_s, s, expected)) return DG_CORRIDOR;
    if (instant->speed_m_s > k->speed_m_s * DG_AT_LIMIT) return DG_TOO_FAST;
    if (fabs(instant->turn_rate_rad_s) > k->turn_rate_rad_s * DG_AT_LIMIT) return DG_TURNING;
    return DG_ACCEPTED;
}

/* ---- the filter ---------------------------------------------------------------------------------- */

void dg_start(const dg_routine *routine, dg_state *state) {
    const dg_correction *k = &routine->correction;
    dg_pose nothing = {0.0, 0.0, 0.0};
    dg_covariance p = {0.0, 0.0, 0.0, 0.0, 0.0, 0.0};
    int i;
    p.xx = k->start_x_m * k->start_x_m;
    p.yy = k->start_y_m * k->start_y_m;
    p.hh = k->start_heading_rad * k->start_heading_rad;
    for (i = 0; i < DG_MOST_CONSTANTS; i++) state->link_x_m[i] = state->link_y_m[i] = state->link_rad[i] = 0.0;
    /* What it is placed against may stand off, and carries it. */
    for (i = 0; i < routine->start_parts_count; i++) {
        const dg_start_part *part = &routine->start_parts[i];
        p.xx += part->x_m * part->x_m;
        p.xy += part->x_m * part->y_m;
        p.xh += part->x_m * part->rad;
        p.yy += part->y_m * part->y_m;
        p.yh += part->y_m * part->rad;
        p.hh += part->rad * part->rad;
        if (part->constant < 0 || part->constant >= DG_MOST_CONSTANTS) continue;
        state->link_x_m[part->constant] = part->x_m;
        state->link_y_m[part->constant] = part->y_m;
        state->link_rad[part->constant] = part->rad;
    }
    state->pose = routine->start;
    state->covariance = p;
    state->fixed = nothing;
    for (i = 0; i < DG_MOST_SLOTS; i++) state->streak[i] = state->streak_surface[i] = 0;
    state->refusals = 0;
    state->lost = 0;
}

static int dg_constants(const dg_routine *routine) {
    int count = routine->correction.considers ? routine->correction.constants : 0;
    return count < DG_MOST_CONSTANTS ? count : DG_MOST_CONSTANTS;
}

/* What the filter considers goes with the pose as its covariance does; of surfaces it may fade on the way. */
static void dg_carry_links(const dg_routine *routine, dg_state *state, double dx, double dy, double length) {
    double left = exp(-length / routine->correction.constants_hold_m);
    int i, count = dg_constants(routine);
    for (i = 0; i < count; i++) {
        state->link_x_m[i] -= dy * state->link_rad[i];
        state->link_y_m[i] += dx * state->link_rad[i];
        if (i < DG_OF_SENSOR * routine->sensors_count) continue;
        state->link_x_m[i] *= left;
        state->link_y_m[i] *= left;
        state->link_rad[i] *= left;
    }
}

/* What the walks and turns add in the robot's own axes: variances ahead and to the left, and their covariance. */
static void dg_walk(const dg_correction *k, dg_motion motion, double length, double *ahead, double *left, double *both) {
    double c = length > 0.0 ? motion.ahead_m / length : 1.0, s = length > 0.0 ? motion.left_m / length : 0.0;
    double along = k->along_per_root_m, across = k->across_per_root_m;
    double side_along = k->sideways_along_per_root_m, side_across = k->sideways_across_per_root_m;
    *ahead = (along * along * c * c + side_across * side_across * s * s) * length;
    *left = (across * across * c * c + side_along * side_along * s * s) * length;
    if (length > DG_ON_THE_SPOT_M * fabs(motion.turn_rad)) {
        double with_speed = motion.time_s > 0.0 ? k->turn_left_s_per_root_rad * motion.ahead_m / motion.time_s : 0.0;
        *ahead += k->turn_ahead_per_root_rad * k->turn_ahead_per_root_rad * fabs(motion.turn_rad);
        if (motion.ahead_m != 0.0)
            *left += (k->turn_left_per_root_rad * k->turn_left_per_root_rad + with_speed * with_speed) *
                     fabs(motion.turn_rad);
    }
    *both = (along * side_along - across * side_across) * c * s * length;
}

void dg_move(const dg_routine *routine, dg_state *state, dg_motion motion) {
    const dg_correction *k = &routine->correction;
    dg_covariance *p = &state->covariance;
    double length = hypot(motion.ahead_m, motion.left_m), turn = motion.turn_rad;
    double c = cos(state->pose.heading_rad), s = sin(state->pose.heading_rad);
    double q = 0.25 * turn * turn, chord, cm, sm, dx, dy, xh, yh, ahead, left, both;
    double heading = k->heading_per_root_m * k->heading_per_root_m * length +
                     k->heading_per_root_s * k->heading_per_root_s * motion.time_s +
                     k->heading_per_root_rad * k->heading_per_root_rad * fabs(turn);
    /* An arc's chord points along its middle heading and is sin(turn/2) / (turn/2) of it long. */
    chord = 1.0 - q / 6.0 * (1.0 - q / 20.0 * (1.0 - q / 42.0 * (1.0 - q / 72.0)));
    cm = cos(state->pose.heading_rad + 0.5 * turn) * chord;
    sm = sin(state->pose.heading_rad + 0.5 * turn) * chord;
    dx = cm * motion.ahead_m - sm * motion.left_m;
    dy = sm * motion.ahead_m + cm * motion.left_m;
    /* J P J' with J = [1 0 -dy; 0 1 dx; 0 0 1], and the noise of the walk. */
    xh = p->xh - dy * p->hh;
    yh = p->yh + dx * p->hh;
    dg_walk(k, motion, length, &ahead, &left, &both);
    p->xx = p->xx - dy * (p->xh + xh) + (c * c * ahead + s * s * left - 2.0 * c * s * both);
    p->xy = p->xy - dy * p->yh + dx * xh + (c * s * (ahead - left) + (c * c - s * s) * both);
    p->yy = p->yy + dx * (p->yh + yh) + (s * s * ahead + c * c * left + 2.0 * c * s * both);
    p->xh = xh;
    p->yh = yh;
    p->hh += heading;
    dg_carry_links(routine, state, dx, dy, length);
    state->pose.x_m += dx;
    state->pose.y_m += dy;
    state->pose.heading_rad += turn;
}

dg_pose dg_echo(const dg_state *state) {
    dg_pose then = state->pose;
    then.x_m -= state->fixed.x_m;
    then.y_m -= state->fixed.y_m;
    then.heading_rad -= state->fixed.heading_rad;
    return then;
}

dg_pose dg_compared(const dg_routine *routine, const dg_state *state, dg_pose then) {
    if (!routine->correction.compensate_latency) return state->pose;
    then.x_m += state->fixed.x_m;
    then.y_m += state->fixed.y_m;
    then.heading_rad += state->fixed.heading_rad;
    return then;
}

/* A reading, or the difference or mean of two, as the filter sees it. */
typedef struct {
    double innovation;
    dg_three h;
    double own;       /* its variance [m^2] */
    int turns;        /* a difference: replacing and blending move the heading alone */
    dg_effect effects[DG_MOST_EFFECTS]; /* of what is the same all through a run */
    int effects_count;
    dg_three ph;      /* P h, and what goes with the constants */
    double predicted; /* variance of the innovation, h P h' + R, and the same [m^2] */
} dg_scalar;

static dg_scalar dg_no_scalar(void) {
    dg_scalar z;
    z.innovation = z.h.x = z.h.y = z.h.h = z.own = z.ph.x = z.ph.y = z.ph.h = z.predicted = 0.0;
    z.turns = z.effects_count = 0;
    return z;
}

static void dg_add_effect(dg_scalar *z, int constant, double size) {
    if (size == 0.0 || constant < 0 || constant >= DG_MOST_CONSTANTS) return;
    if (z->effects_count >= DG_MOST_EFFECTS) return;
    z->effects[z->effects_count].constant = constant;
    z->effects[z->effects_count].size = size;
    z->effects_count++;
}

/* A bias is the same at every range, a scale grows with it, a mount's angle acts as the beam's turn does, and a
 * sensor that sits aside as a robot that stands aside. */
static void dg_sensor_effects(const dg_routine *routine, dg_scalar *z, double weight, int sensor,
                              const dg_expected *x) {
    const dg_sensor *s = &routine->sensors[sensor];
    int first = DG_OF_SENSOR * sensor;
    dg_add_effect(z, first, weight * s->bias_m);
    dg_add_effect(z, first + 1, weight * s->scale * x->range_m);
    dg_add_effect(z, first + 2, weight * s->angle_rad * x->d_angle);
    dg_add_effect(z, first + 3, weight * s->aside_m * (x->d_y * x->axis_x - x->d_x * x->axis_y));
}

/* A surface that moves is a robot that moves the other way, one that turns about a point a robot that goes
 * round that point. A line may be shifted along itself unnoticed. */
static double dg_by_mover(const dg_mover *m, const dg_expected *x) {
    if (m->turns) return x->d_x * (x->y_m - m->y) - x->d_y * (x->x_m - m->x) - x->d_heading;
    return -(x->d_x * m->x + x->d_y * m->y);
}

/* Of one reading, or of two of one surface. */
static void dg_surface_effects(const dg_routine *routine, dg_scalar *z, int surface, const dg_expected x[],
                               const double weights[], int count) {
    const dg_surface *e = &routine->surfaces[surface];
    int i, j;
    for (i = e->mover_first; i < e->mover_first + e->mover_count; i++) {
        const dg_mover *m = &routine->movers[i];
        double by = 0.0;
        for (j = 0; j < count; j++) by += weights[j] * dg_by_mover(m, &x[j]);
        dg_add_effect(z, m->constant, m->size * by);
    }
}

static void dg_terms(const dg_state *state, dg_scalar *z) {
    const dg_covariance *p = &state->covariance;
    dg_three h = z->h, also = {0.0, 0.0, 0.0};
    double apart, mixed = 0.0;
    int i;
    z->ph.x = p->xx * h.x + p->xy * h.y + p->xh * h.h;
    z->ph.y = p->xy * h.x + p->yy * h.y + p->yh * h.h;
    z->ph.h = p->xh * h.x + p->yh * h.y + p->hh * h.h;
    z->predicted = h.x * z->ph.x + h.y * z->ph.y + h.h * z->ph.h + z->own;
    apart = z->predicted;
    for (i = 0; i < z->effects_count; i++) {
        int j = z->effects[i].constant;
        double d = z->effects[i].size, x = state->link_x_m[j], y = state->link_y_m[j], r = state->link_rad[j];
        apart += d * d;
        mixed += d * (h.x * x + h.y * y + h.h * r);
        also.x += d * x;
        also.y += d * y;
        also.h += d * r;
    }
    z->ph.x += also.x;
    z->ph.y += also.y;
    z->ph.h += also.h;
    z->predicted = dg_most(apart + 2.0 * mixed, DG_LEAST_SHARE * apart);
}

static double dg_own_variance(const dg_sensor *sensor, double range) {
    double sd = sensor->at_zero_m + sensor->per_range * range;
    return sd * sd;
}

static dg_scalar dg_one(const dg_routine *routine, const dg_state *state, const dg_expected *x,
                        dg_reading reading) {
    dg_scalar z = dg_no_scalar();
    double alone = 1.0;
    z.innovation = reading.range_m - x->range_m;
    z.h.x = x->d_x;
    z.h.y = x->d_y;
    z.h.h = x->d_heading;
    z.own = dg_own_variance(&routine->sensors[reading.sensor], x->range_m);
    if (routine->correction.considers) {
        dg_sensor_effects(routine, &z, 1.0, reading.sensor, x);
        dg_surface_effects(routine, &z, x->surface, x, &alone, 1);
    } else {
        z.own += routine->correction.wall_m * routine->correction.wall_m;
    }
    dg_terms(state, &z);
    return z;
}

static dg_scalar dg_two(const dg_routine *routine, const dg_state *state, const dg_expected x[2],
                        const dg_reading readings[2], int surface, int turns) {
    dg_scalar z = dg_no_scalar();
    double a = dg_own_variance(&routine->sensors[readings[0].sensor], x[0].range_m);
    double b = dg_own_variance(&routine->sensors[readings[1].sensor], x[1].range_m);
    double first = 1.0, second = -1.0, wall, weights[2];
    if (!turns) {
        first = a + b > 0.0 ? b / (a + b) : 0.5;
        second = 1.0 - first;
    }
    z.turns = turns;
    z.innovation = first * (readings[0].range_m - x[0].range_m) +
                   second * (readings[1].range_m - x[1].range_m);
    z.h.x = first * x[0].d_x + second * x[1].d_x;
    z.h.y = first * x[0].d_y + second * x[1].d_y;
    z.h.h = first * x[0].d_heading + second * x[1].d_heading;
    /* A wall that is turned one way is a robot that is turned the other. */
    wall = turns ? routine->correction.wall_tilt_rad * z.h.h : routine->correction.wall_m;
    z.own = first * first * a + second * second * b;
    if (routine->correction.considers) {
        dg_sensor_effects(routine, &z, first, readings[0].sensor, &x[0]);
        dg_sensor_effects(routine, &z, second, readings[1].sensor, &x[1]);
        weights[0] = first;
        weights[1] = second;
        dg_surface_effects(routine, &z, surface, x, weights, 2);
    } else {
        z.own += wall * wall;
    }
    dg_terms(state, &z);
    return z;
}

static dg_three dg_gain(const dg_correction *k, const dg_scalar *z) {
    dg_three gain = {0.0, 0.0, 0.0};
    double share = k->law == DG_UPDATE_BLEND ? k->share : 1.0;
    if (k->law == DG_UPDATE_KALMAN) {
        double inverse = 1.0 / dg_most(z->predicted, DG_LEAST_VARIANCE);
        gain.x = z->ph.x * inverse;
        gain.y = z->ph.y * inverse;
        gain.h = z->ph.h * inverse;
    } else if (z->turns) {
        gain.h = fabs(z->h.h) > DG_LEAST_LEVER_M ? share / z->h.h : 0.0;
    } else {
        double along = share / (z->h.x * z->h.x + z->h.y * z->h.y);
        gain.x = along * z->h.x;
        gain.y = along * z->h.y;
    }
    return gain;
}

/* C' = C - K (h C + d) of every constant; d is nothing where the reading has no part of it. */
static void dg_take_links(const dg_routine *routine, dg_state *state, const dg_scalar *z, dg_three gain) {
    int i, j, count = dg_constants(routine);
    for (i = 0; i < count; i++) {
        double along = z->h.x * state->link_x_m[i] + z->h.y * state->link_y_m[i] + z->h.h * state->link_rad[i];
        for (j = 0; j < z->effects_count; j++)
            if (z->effects[j].constant == i) along += z->effects[j].size;
        state->link_x_m[i] -= gain.x * along;
        state->link_y_m[i] -= gain.y * along;
        state->link_rad[i] -= gain.h * along;
    }
}

static void dg_update(const dg_routine *routine, dg_state *state, const dg_instant *instant,
                      const dg_scalar *z) {
    const dg_correction *k = &routine->correction;
    dg_covariance *p = &state->covariance;
    dg_three gain = dg_gain(k, z), a = z->ph, b;
    double dx, dy, dh, off;
    if (k->largest_move_m > 0.0) {
        /* Neither the place moves further, nor by the turn any point of the robot's outline. */
        double move = dg_most(sqrt(gain.x * gain.x + gain.y * gain.y), k->outline_reach_m * fabs(gain.h)) *
                      fabs(z->innovation);
        if (move > k->largest_move_m) {
            double factor = k->largest_move_m / move;
            gain.x *= factor;
            gain.y *= factor;
            gain.h *= factor;
        }
    }
    /* (I - k h) P (I - k h)' + k R k', the Joseph form, for any gain. */
    b.x = a.x - gain.x * z->predicted;
    b.y = a.y - gain.y * z->predicted;
    b.h = a.h - gain.h * z->predicted;
    p->xx -= gain.x * (a.x + b.x);
    p->xy = p->xy - gain.x * a.y - gain.y * b.x;
    p->xh = p->xh - gain.x * a.h - gain.h * b.x;
    p->yy -= gain.y * (a.y + b.y);
    p->yh = p->yh - gain.y * a.h - gain.h * b.y;
    p->hh -= gain.h * (a.h + b.h);
    dg_take_links(routine, state, z, gain);
    dx = gain.x * z->innovation;
    dy = gain.y * z->innovation;
    dh = gain.h * z->innovation;
    /* Never the long way round. */
    off = state->pose.heading_rad + dh - instant->heading_rad;
    if (fabs(off) > DG_PI) dh -= 2.0 * DG_PI * rint(off / (2.0 * DG_PI));
    state->pose.x_m += dx;
    state->pose.y_m += dy;
    state->pose.heading_rad += dh;
    state->fixed.x_m += dx;
    state->fixed.y_m += dy;
    state->fixed.heading_rad += dh;
}

/* ---- gate and persistence, with what they remember ----------------------------------------------- */

static int dg_gate(const dg_routine *routine, dg_state *state, const dg_scalar *z) {
    const dg_correction *k = &routine->correction;
    int passed = !(k->gate_sigmas > 0.0) ||
                 z->innovation * z->innovation <= k->gate_sigmas * k->gate_sigmas * z->predicted;
    state->refusals = passed ? 0 : state->refusals + 1;
    if (k->way_back_refusals <= 0) return passed;
    if (!passed && state->refusals % k->way_back_refusals == 0) {
        dg_covariance *p = &state->covariance;
        p->xx *= k->way_back_factor;
        p->xy *= k->way_back_factor;
        p->xh *= k->way_back_factor;
        p->yy *= k->way_back_factor;
        p->yh *= k->way_back_factor;
        p->hh *= k->way_back_factor;
    }
    if (state->refusals >= k->way_back_refusals + k->lost_after) state->lost = 1;
    return passed;
}

static int dg_persists(const dg_routine *routine, dg_state *state, int slot, int surface) {
    if (routine->correction.persistence <= 0) return 1;
    if (state->streak_surface[slot] != surface) state->streak[slot] = 0;
    state->streak[slot]++;
    state->streak_surface[slot] = surface;
    return state->streak[slot] >= routine->correction.persistence;
}

static int dg_untried(const dg_routine *routine, const dg_instant *instant, int sensor) {
    const dg_step *step = &routine->steps[instant->step];
    if (!((unsigned)step->fixes >> sensor & 1u)) return DG_SWITCHED_OFF;
    return step->law == DG_LAW_CONTACT ? DG_IN_CONTACT : DG_ACCEPTED;
}

/* ---- one reading, and two of a pair -------------------------------------------------------------- */

dg_result dg_read(const dg_routine *routine, dg_state *state, const dg_instant *instant, dg_pose compared,
                  dg_reading reading) {
    dg_result result = {DG_ACCEPTED, -1};
    dg_expected x;
    dg_scalar z = dg_no_scalar();
    int i, listened = 0, counted = 0;
    result.outcome = dg_untried(routine, instant, reading.sensor);
    if (result.outcome != DG_ACCEPTED) {
        state->streak[reading.sensor] = 0;
        return result;
    }
    x = dg_expect(routine, compared, reading.sensor, reading.planned_surface);
    result.surface = x.surface;
    if (x.surface < 0) result.outcome = DG_NO_SURFACE;
    for (i = 0; i < 3 && result.outcome == DG_ACCEPTED; i++) {
        int stage = routine->correction.order[i];
        if (stage == DG_STAGE_VALIDITY) {
            result.outcome = dg_validity(routine, instant, reading.sensor, &x);
            continue;
        }
        /* Whether anything came back is asked before the first stage that needs a reading. */
        if (!listened) {
            listened = 1;
            if (!reading.echoed) {
                result.outcome = DG_NO_ECHO;
                break;
            }
            z = dg_one(routine, state, &x, reading);
        }
        if (stage == DG_STAGE_GATE) {
            if (!dg_gate(routine, state, &z)) result.outcome = DG_GATE;
        } else {
            counted = 1;
            if (!dg_persists(routine, state, reading.sensor, x.surface)) result.outcome = DG_HELD_BACK;
        }
    }
    if (!counted) state->streak[reading.sensor] = 0;
    if (result.outcome == DG_ACCEPTED) dg_update(routine, state, instant, &z);
    return result;
}

static void dg_break_pair(dg_state *state, int slot) {
    state->streak[slot] = state->streak[slot + 1] = 0;
}

int dg_read_pair(const dg_routine *routine, dg_state *state, int pair, const dg_instant *instant,
                 dg_pose compared, dg_reading first, dg_reading second, dg_result results[2]) {
    dg_reading readings[2];
    dg_expected x[2];
    int i, turns, surface, refused = 0, used = 0;
    int slot = routine->sensors_count + 2 * pair;
    readings[0] = first;
    readings[1] = second;
    for (i = 0; i < 2; i++) {
        if (dg_untried(routine, instant, readings[i].sensor) != DG_ACCEPTED) {
            dg_break_pair(state, slot);
            return 0;
        }
        x[i] = dg_expect(routine, compared, readings[i].sensor, readings[i].planned_surface);
    }
    /* Both must be valid, of one surface, and echoed, whatever the order of the stages. */
    surface = x[0].surface;
    if (surface < 0 || surface != x[1].surface || !first.echoed || !second.echoed ||
        dg_validity(routine, instant, first.sensor, &x[0]) != DG_ACCEPTED ||
        dg_validity(routine, instant, second.sensor, &x[1]) != DG_ACCEPTED) {
        dg_break_pair(state, slot);
        return 0;
    }
    /* First their difference, then their mean, each with a gate and a persistence of its own. */
    for (turns = 1; turns >= 0; turns--) {
        int own_slot = turns ? slot : slot + 1, passed = 1, counted = 0;
        dg_pose before = state->pose;
        dg_scalar z;
        for (i = 0; i < 2; i++) x[i] = dg_expect_surface(routine, compared, readings[i].sensor, surface);
        z = dg_two(routine, state, x, readings, surface, turns);
        for (i = 0; i < 3; i++) {
            int stage = routine->correction.order[i];
            if (stage == DG_STAGE_GATE && passed) {
                passed = dg_gate(routine, state, &z);
                if (!passed) refused = 1;
            } else if (stage == DG_STAGE_PERSISTENCE && passed) {
                counted = 1;
                passed = dg_persists(routine, state, own_slot, surface);
            }
        }
        if (!counted) state->streak[own_slot] = 0;
        if (!passed) continue;
        used = 1;
        dg_update(routine, state, instant, &z);
        /* The mean is compared with the belief that the difference has left. */
        compared.x_m += state->pose.x_m - before.x_m;
        compared.y_m += state->pose.y_m - before.y_m;
        compared.heading_rad += state->pose.heading_rad - before.heading_rad;
    }
    for (i = 0; i < 2; i++) {
        state->streak[readings[i].sensor] = 0;
        results[i].outcome = used ? DG_ACCEPTED : refused ? DG_GATE : DG_HELD_BACK;
        results[i].surface = surface;
    }
    return 1;
}

/* ---- contact ------------------------------------------------------------------------------------- */

/* What moves the wall moves a robot that lies flush with it: along the normal, and round. */
static dg_three dg_carried(const dg_mover *m, const dg_surface *e, dg_pose flush) {
    dg_three by = {0.0, 0.0, 0.0};
    double x = m->turns ? -m->size * (flush.y_m - m->y) : m->size * m->x;
    double y = m->turns ? m->size * (flush.x_m - m->x) : m->size * m->y, normal;
    normal = e->normal_x * x + e->normal_y * y;
    by.x = e->normal_x * normal;
    by.y = e->normal_y * normal;
    by.h = m->turns ? m->size : 0.0;
    return by;
}

void dg_square_up(const dg_routine *routine, dg_state *state, int step, double began_rad) {
    const dg_step *s = &routine->steps[step];
    const dg_contact *touch;
    const dg_surface *e;
    dg_covariance *p = &state->covariance;
    double nx, ny, off, tangent, n2, h2, swing, askew;
    int i, last;
    if (s->contact < 0 || !routine->contacts[s->contact].resets) return;
    touch = &routine->contacts[s->contact];
    e = &routine->surfaces[touch->surface];
    nx = e->normal_x;
    ny = e->normal_y;
    /* The wall tells the coordinate along its normal, and the heading: they are the plan's. */
    off = nx * (state->pose.x_m - s->end.x_m) + ny * (state->pose.y_m - s->end.y_m);
    state->pose.x_m -= nx * off;
    state->pose.y_m -= ny * off;
    state->pose.heading_rad = s->end.heading_rad;
    n2 = touch->reset_position_m * touch->reset_position_m;
    h2 = touch->reset_heading_rad * touch->reset_heading_rad;
    /* The wall itself may stand off, and what it is off by is no news when it is seen again. */
    last = routine->correction.considers ? e->mover_first + e->mover_count : e->mover_first;
    for (i = e->mover_first; i < last; i++) {
        dg_three by = dg_carried(&routine->movers[i], e, s->end);
        n2 -= by.x * by.x + by.y * by.y;
        h2 -= by.h * by.h;
    }
    n2 = dg_most(n2, 0.0);
    h2 = dg_most(h2, 0.0);
    /* Turning about the corner that touched first has taken it along the wall, tangent (n_y, -n_x), unseen. */
    swing = touch->swing_m;
    askew = touch->swing_believed_m * (began_rad - s->start.heading_rad);
    tangent = ny * ny * p->xx - 2.0 * nx * ny * p->xy + nx * nx * p->yy +
              swing * (2.0 * (ny * p->xh - nx * p->yh) + swing * p->hh) + askew * askew;
    p->xx = nx * nx * n2 + ny * ny * tangent;
    p->xy = nx * ny * (n2 - tangent);
    p->xh = 0.0;
    p->yy = ny * ny * n2 + nx * nx * tangent;
    p->yh = 0.0;
    p->hh = h2;
    for (i = 0; i < DG_MOST_CONSTANTS; i++) {
        tangent = ny * state->link_x_m[i] - nx * state->link_y_m[i] + swing * state->link_rad[i];
        state->link_x_m[i] = ny * tangent;
        state->link_y_m[i] = -nx * tangent;
        state->link_rad[i] = 0.0;
    }
    for (i = e->mover_first; i < last; i++) {
        const dg_mover *m = &routine->movers[i];
        dg_three by = dg_carried(m, e, s->end);
        double left_x = 0.0, left_y = 0.0;
        by.x -= ny * swing * by.h;
        by.y += nx * swing * by.h;
        if (m->constant >= 0 && m->constant < DG_MOST_CONSTANTS) {
            /* What is left along the wall goes with the constant already. */
            left_x = state->link_x_m[m->constant];
            left_y = state->link_y_m[m->constant];
            state->link_x_m[m->constant] += by.x;
            state->link_y_m[m->constant] += by.y;
            state->link_rad[m->constant] += by.h;
        }
        p->xx += by.x * (by.x + 2.0 * left_x);
        p->xy += by.x * by.y + by.x * left_y + by.y * left_x;
        p->yy += by.y * (by.y + 2.0 * left_y);
        p->xh += by.h * (by.x + left_x);
        p->yh += by.h * (by.y + left_y);
        p->hh += by.h * by.h;
    }
}

const char *dg_outcome_text(int outcome) {
    switch (outcome) {
    case DG_ACCEPTED: return "a fix";
    case DG_SWITCHED_OFF: return "switched off";
    case DG_IN_CONTACT: return "in contact";
    case DG_NO_SURFACE: return "no surface";
    case DG_NOT_REFERENCE: return "not a reference surface";
    case DG_OUT_OF_RANGE: return "out of range";
    case DG_INCIDENCE: return "incidence";
    case DG_CORRIDOR: return "corridor";
    case DG_TOO_FAST: return "too fast";
    case DG_TURNING: return "turning";
    case DG_NO_ECHO: return "no echo";
    case DG_GATE: return "gate";
    case DG_HELD_BACK: return "held back";
    default: return "?";
    }
}
