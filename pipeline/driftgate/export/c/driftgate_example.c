/* How code reads a routine: its steps, one after another, by their targets and amounts.
 *
 * It moves nothing. On a robot, each case of the switch is where the drive is commanded; the believed pose
 * then comes from the robot's own odometry and from driftgate_correction.c. */
#include "driftgate_host.h"

#include <math.h>
#include <stdio.h>

#define DG_PI 3.14159265358979323846

/* The same turn the short way round; a half turn goes counter-clockwise. */
static double short_way(double turn) {
    turn = remainder(turn, 2.0 * DG_PI);
    return turn < -DG_PI + 1e-9 ? turn + 2.0 * DG_PI : turn;
}

static dg_pose moved(dg_pose pose, double ahead, double left, double turn) {
    double c = cos(pose.heading_rad), s = sin(pose.heading_rad);
    pose.x_m += c * ahead - s * left;
    pose.y_m += s * ahead + c * left;
    pose.heading_rad += turn;
    return pose;
}

static double bearing(dg_pose pose, const dg_step *step) {
    double course = atan2(step->target_y_m - pose.y_m, step->target_x_m - pose.x_m);
    return step->backwards ? course + DG_PI : course;
}

/* Into the wall: the corner of the bumper that is ahead touches first, and the robot turns about it. */
static dg_pose squared_up(const dg_routine *routine, const dg_step *step, dg_pose pose) {
    const dg_contact *touch = &routine->contacts[step->contact];
    const dg_surface *wall = &routine->surfaces[touch->surface];
    double sign = step->backwards ? -1.0 : 1.0, nx = wall->normal_x, ny = wall->normal_y;
    double turn, gap[2], side[2], off;
    dg_pose corner[2], touching, swung;
    int i, first;
    turn = short_way(atan2(-ny, -nx) - (step->backwards ? DG_PI : 0.0) - pose.heading_rad);
    for (i = 0; i < 2; i++) {
        side[i] = touch->middle_left_m + (i == 0 ? touch->half_width_m : -touch->half_width_m);
        corner[i] = moved(pose, sign * touch->reach_m, side[i], 0.0);
        gap[i] = nx * (corner[i].x_m - wall->ax_m) + ny * (corner[i].y_m - wall->ay_m);
    }
    first = gap[1] < gap[0];
    touching = moved(corner[first], sign * touch->travel_m, 0.0, 0.0);
    swung.x_m = swung.y_m = 0.0;
    swung.heading_rad = pose.heading_rad + turn;
    swung = moved(swung, sign * touch->reach_m, side[first], 0.0);
    pose.x_m = touching.x_m - swung.x_m;
    pose.y_m = touching.y_m - swung.y_m;
    pose.heading_rad += turn;
    off = touch->reach_m - (nx * (pose.x_m - wall->ax_m) + ny * (pose.y_m - wall->ay_m));
    pose.x_m += off * nx;
    pose.y_m += off * ny;
    return pose;
}

/* Along a curve, from point to point. */
static dg_pose followed(const dg_routine *routine, const dg_step *step, dg_pose pose) {
    int i;
    for (i = step->path_first; i + 1 < step->path_first + step->path_count; i++) {
        dg_pose a = routine->path[i].pose, b = routine->path[i + 1].pose;
        double c = cos(a.heading_rad), s = sin(a.heading_rad), dx = b.x_m - a.x_m, dy = b.y_m - a.y_m;
        pose = moved(pose, c * dx + s * dy, c * dy - s * dx, b.heading_rad - a.heading_rad);
    }
    return pose;
}

static dg_pose after_step(const dg_routine *routine, const dg_step *step, dg_pose pose) {
    double turn, chord;
    switch (step->kind) {
    case DG_STEP_DRIVE:
        if (!(step->way > 0.0)) return pose;
        /* A holonomic drive keeps its heading. */
        if (step->law == DG_LAW_DRIVE) pose.heading_rad += short_way(bearing(pose, step) - pose.heading_rad);
        pose.x_m = step->target_x_m;
        pose.y_m = step->target_y_m;
        return pose;
    case DG_STEP_CURVE: return followed(routine, step, pose);
    case DG_STEP_TURN: return moved(pose, 0.0, 0.0, short_way(step->target_rad - pose.heading_rad));
    case DG_STEP_FACE: return moved(pose, 0.0, 0.0, short_way(bearing(pose, step) - pose.heading_rad));
    case DG_STEP_ADVANCE: return moved(pose, step->amount, 0.0, 0.0);
    case DG_STEP_SIDESTEP: return moved(pose, 0.0, step->amount, 0.0);
    case DG_STEP_ROTATE: return moved(pose, 0.0, 0.0, step->amount);
    case DG_STEP_ARC:
        /* Half of the turn, the chord, and the other half. */
        turn = step->backwards ? -step->amount : step->amount;
        pose.heading_rad += 0.5 * turn;
        chord = (step->backwards ? -2.0 : 2.0) * step->radius_m * sin(0.5 * fabs(turn));
        return moved(pose, chord, 0.0, 0.5 * turn);
    case DG_STEP_SQUARE_UP: return step->contact < 0 ? pose : squared_up(routine, step, pose);
    default: return pose; /* pause, look, actuate, checkpoint: it stands */
    }
}

dg_pose dg_walk_through(const dg_routine *routine) {
    dg_pose pose = routine->start;
    int i;
    printf("%s, %s, fingerprint %s\n", routine->title, routine->side, routine->fingerprint);
    for (i = 0; i < routine->steps_count; i++) {
        const dg_step *step = &routine->steps[i];
        pose = after_step(routine, step, pose);
        printf("%3d  %6.2f s  (%.3f, %.3f) m  %7.1f deg  %s\n", i + 1, step->end_s, pose.x_m, pose.y_m,
               pose.heading_rad * 180.0 / DG_PI, step->label);
    }
    if (routine->steps_count > 0) {
        dg_pose plan = routine->steps[routine->steps_count - 1].end;
        double off = hypot(pose.x_m - plan.x_m, pose.y_m - plan.y_m);
        double turned = fabs(pose.heading_rad - plan.heading_rad);
        printf("end (%.12f, %.12f) m, %.12f rad: %s the plan\n", pose.x_m, pose.y_m, pose.heading_rad,
               off <= 1e-9 && turned <= 1e-9 ? "as" : "NOT as");
    }
    return pose;
}
