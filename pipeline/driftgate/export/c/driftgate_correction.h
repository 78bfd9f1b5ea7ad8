/* The correction of the believed pose by range sensors: the very model that driftgate predicts with.
 *
 * No dependencies but <math.h>, no memory of its own, no global state. C11, and C++17 as well.
 * Lengths in metres, angles in radians and counter-clockwise, times in seconds on the routine's clock.
 * Do not compile it with -ffast-math. One call takes as long as it takes to look at every surface and
 * obstacle of the map once.
 *
 * On the robot:
 *
 *   dg_state state;
 *   dg_start(&routine, &state);
 *   every control period:    dg_move(&routine, &state, motion), by what dead reckoning measured
 *   when a sensor measures:  dg_pose then = dg_echo(&state), to be kept with the reading
 *   when it arrives:         dg_read(...), or for two sensors of a pair dg_read_pair(...)
 *   after a square-up that has touched: dg_square_up(...)
 *   state.pose is where the robot believes to be.
 *
 * Readings that arrive at one instant are taken in the order of the routine's sensors.
 */
#ifndef DRIFTGATE_CORRECTION_H
#define DRIFTGATE_CORRECTION_H

#include "driftgate_types.h"

#ifdef __cplusplus
extern "C" {
#endif

/* A sensor's expected reading of a surface, and how it changes with the pose. */
typedef struct {
    int surface;          /* -1 for none */
    double range_m;
    double incidence_rad;
    double d_x;           /* [m/m] */
    double d_y;           /* [m/m] */
    double d_heading;     /* [m/rad] */
    double d_angle;       /* by the direction the sensor looks in [m/rad] */
    double x_m, y_m;      /* where the robot is held to be */
    double px_m, py_m;    /* where the beam starts */
    double axis_x, axis_y;/* where the sensor looks */
    double ux, uy;        /* where the answer comes from */
} dg_expected;

/* Begin: pose and covariance of the start, nothing remembered. */
void dg_start(const dg_routine *routine, dg_state *state);

/* Dead reckoning of one tick: moves the belief and lets the covariance grow. Ticks turn by less than 1 rad.
 * At rest call it too, with the time and no motion: the gyro goes on drifting. */
void dg_move(const dg_routine *routine, dg_state *state, dg_motion motion);

/* The belief at an echo, without its fixes; and the belief to compare with when the reading arrives.
 * A robot that does not compensate latency compares with state->pose. */
dg_pose dg_echo(const dg_state *state);
dg_pose dg_compared(const dg_routine *routine, const dg_state *state, dg_pose then);

/* One reading through all stages; a fix moves state->pose. */
dg_result dg_read(const dg_routine *routine, dg_state *state, const dg_instant *instant, dg_pose compared,
                  dg_reading reading);

/* Two readings of a pair, echoed and arrived together, the first sensor's first. Returns 1 if both were
 * taken together; on 0 give each to dg_read. */
int dg_read_pair(const dg_routine *routine, dg_state *state, int pair, const dg_instant *instant,
                 dg_pose compared, dg_reading first, dg_reading second, dg_result results[2]);

/* A square-up step has touched: where it resets, the wall is taken as a fix. The heading is
 * state->pose.heading_rad as it was when the step began, to be kept until then. */
void dg_square_up(const dg_routine *routine, dg_state *state, int step, double began_rad);

/* The parts, for code that wants them one by one. */
dg_expected dg_expect(const dg_routine *routine, dg_pose compared, int sensor, int planned_surface);
int dg_validity(const dg_routine *routine, const dg_instant *instant, int sensor,
                const dg_expected *expected);
const char *dg_outcome_text(int outcome);

#ifdef __cplusplus
}
#endif

#endif
