/* The core on this computer, in simulated time. One board at a time. */
#ifndef HOSTBOARD_H
#define HOSTBOARD_H

#include "bench.h"

extern const struct board host_board;

#endif
