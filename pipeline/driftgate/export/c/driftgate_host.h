/* For a computer, not for the robot: what the programs *.host.c use. */
#ifndef DRIFTGATE_HOST_H
#define DRIFTGATE_HOST_H

#include "driftgate_types.h"

#ifdef __cplusplus
extern "C" {
#endif

/* Go through the routine's steps by their own targets and amounts, print them, and return the pose that
 * comes out. It differs from the plan's by rounding alone. */
dg_pose dg_walk_through(const dg_routine *routine);

/* Put every test vector through the code of driftgate_correction.c, print what does not agree, and return
 * how many do not. To check code of your own, have it called in place of dg_read, dg_read_pair, dg_move and
 * dg_square_up. */
int dg_check_vectors(const dg_routine *routine, const dg_vector *vectors, int count);

#ifdef __cplusplus
}
#endif

#endif
