/* A robot's own loop over what one simulated trial measured: moves, echoes, readings, a touch. */
#include "driftgate_correction.h"
#include "made_up.h"

#include <stdio.h>

typedef struct {
    int what; /* 0: moved, 1: an echo is taken, 2: a reading arrives, 3: two of a pair arrive, 4: touched */
    int row[2];
    double measured[4];
    dg_instant instant;
    dg_reading readings[2];
} drive_event;

#include "events.h"

static dg_pose kept[DRIVE_ROWS];

int main(void) {
    const dg_routine *routine = &made_up_routine;
    dg_state state;
    dg_result results[2];
    int i, j;
    dg_start(routine, &state);
    for (i = 0; i < (int)(sizeof drive_events / sizeof drive_events[0]); i++) {
        const drive_event *e = &drive_events[i];
        dg_motion motion = {e->measured[0], e->measured[1], e->measured[2], e->measured[3]};
        int many = e->what == 3 ? 2 : 1;
        switch (e->what) {
        case 0: dg_move(routine, &state, motion); break;
        case 1: kept[e->row[0]] = dg_echo(&state); break;
        case 4: dg_square_up(routine, &state, e->instant.step, e->measured[0]); break;
        default:
            if (many < 2 || !dg_read_pair(routine, &state, 0, &e->instant, dg_compared(routine, &state, kept[e->row[0]]),
                                          e->readings[0], e->readings[1], results))
                for (j = 0; j < many; j++)
                    results[j] = dg_read(routine, &state, &e->instant,
                                         dg_compared(routine, &state, kept[e->row[j]]), e->readings[j]);
            for (j = 0; j < many; j++) printf("%d %d\n", e->row[j], results[j].outcome);
        }
    }
    printf("end %.17g %.17g %.17g %.17g %.17g %.17g %d\n", state.pose.x_m, state.pose.y_m, state.pose.heading_rad,
           state.covariance.xx, state.covariance.yy, state.covariance.hh, state.lost);
    return 0;
}
