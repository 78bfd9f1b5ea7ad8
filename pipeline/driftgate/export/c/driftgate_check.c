/* Test vectors against the code of the correction. */
#include "driftgate_correction.h"
#include "driftgate_host.h"

#include <math.h>
#include <stdio.h>

/* What may differ, of a metre or a radian, and of the standard deviations before: rounding. */
#define DG_MAY_DIFFER 1e-9

static double worst;

static int far_off(double mine, double wanted, double size) {
    double off = fabs(mine - wanted) / (size > 0.0 ? size : 1.0);
    if (!(off <= worst)) worst = off;
    return !(off <= DG_MAY_DIFFER);
}

static int pose_differs(dg_pose mine, dg_pose wanted) {
    return far_off(mine.x_m, wanted.x_m, 1.0) + far_off(mine.y_m, wanted.y_m, 1.0) +
           far_off(mine.heading_rad, wanted.heading_rad, 1.0);
}

static int covariance_differs(dg_covariance mine, dg_covariance wanted, dg_covariance before) {
    double x = fmax(before.xx, wanted.xx), y = fmax(before.yy, wanted.yy), h = fmax(before.hh, wanted.hh);
    return far_off(mine.xx, wanted.xx, x) + far_off(mine.xy, wanted.xy, sqrt(x * y)) +
           far_off(mine.xh, wanted.xh, sqrt(x * h)) + far_off(mine.yy, wanted.yy, y) +
           far_off(mine.yh, wanted.yh, sqrt(y * h)) + far_off(mine.hh, wanted.hh, h);
}

/* Links go with constants of variance 1, so that they are no larger than the standard deviations. */
static int links_differ(const dg_routine *routine, const dg_vector *v, const dg_state *mine) {
    const dg_covariance *p = &v->before.covariance, *q = &v->after.covariance;
    double x = sqrt(fmax(p->xx, q->xx)), y = sqrt(fmax(p->yy, q->yy)), h = sqrt(fmax(p->hh, q->hh));
    int i, differ = 0;
    for (i = 0; i < routine->correction.constants && i < DG_MOST_CONSTANTS; i++) {
        differ += far_off(mine->link_x_m[i], v->after.link_x_m[i], x) +
                  far_off(mine->link_y_m[i], v->after.link_y_m[i], y) +
                  far_off(mine->link_rad[i], v->after.link_rad[i], h);
    }
    return differ;
}

static int memory_differs(const dg_routine *routine, const dg_state *mine, const dg_state *wanted) {
    int i, differ = mine->refusals != wanted->refusals || mine->lost != wanted->lost;
    if (routine->correction.persistence > 0)
        for (i = 0; i < DG_MOST_SLOTS; i++) {
            differ += mine->streak[i] != wanted->streak[i];
            /* Of what the streak is matters only while there is one. */
            differ += mine->streak[i] > 0 && mine->streak_surface[i] != wanted->streak_surface[i];
        }
    return differ;
}

static int is_wrong(const dg_routine *routine, const dg_vector *v) {
    dg_state state = v->before;
    dg_result results[2];
    dg_pose then;
    int i, count = 0, differ = 0;
    switch (v->kind) {
    case DG_VECTOR_READING:
        count = 1;
        results[0] = dg_read(routine, &state, &v->instant, v->compared, v->readings[0]);
        break;
    case DG_VECTOR_PAIR:
        count = 2;
        if (dg_read_pair(routine, &state, v->pair, &v->instant, v->compared, v->readings[0], v->readings[1],
                         results))
            break;
        for (i = 0; i < 2; i++) {
            /* What the first has mended of the belief holds for the second. */
            then = v->compared;
            then.x_m += state.fixed.x_m - v->before.fixed.x_m;
            then.y_m += state.fixed.y_m - v->before.fixed.y_m;
            then.heading_rad += state.fixed.heading_rad - v->before.fixed.heading_rad;
            results[i] = dg_read(routine, &state, &v->instant, then, v->readings[i]);
        }
        break;
    case DG_VECTOR_MOVE: dg_move(routine, &state, v->motion); break;
    case DG_VECTOR_START: dg_start(routine, &state); break;
    default: dg_square_up(routine, &state, v->instant.step, v->compared.heading_rad); break;
    }
    for (i = 0; i < count; i++)
        differ += results[i].outcome != v->results[i].outcome || results[i].surface != v->results[i].surface;
    differ += pose_differs(state.pose, v->after.pose) + pose_differs(state.fixed, v->after.fixed);
    differ += covariance_differs(state.covariance, v->after.covariance, v->before.covariance);
    differ += memory_differs(routine, &state, &v->after) + links_differ(routine, v, &state);
    if (differ > 0 && count > 0)
        printf("  sensor %s: %s, wanted %s\n", routine->sensors[v->readings[0].sensor].id,
               dg_outcome_text(results[0].outcome), dg_outcome_text(v->results[0].outcome));
    return differ > 0;
}

int dg_check_vectors(const dg_routine *routine, const dg_vector *vectors, int count) {
    int i, wrong = 0;
    worst = 0.0;
    for (i = 0; i < count; i++)
        if (is_wrong(routine, &vectors[i])) {
            printf("test vector %d differs\n", i + 1);
            wrong++;
        }
    printf("%d of %d test vectors agree, worst difference %.1e\n", count - wrong, count, worst);
    return wrong;
}
