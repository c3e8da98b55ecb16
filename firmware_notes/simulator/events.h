// The events that a run is fed with, one a line (see chip.c), from standard input.
#pragma once

#include <stdbool.h>

struct event {
    double t_us;
    char what[16];
    char first[2048];
    char rest[64];
};

// Gives the next event. When ``wait`` is false and no line has come yet, or when the input has
// ended, it returns false; events_ended() tells which.
bool events_next(struct event *e, bool wait);
bool events_ended(void);
