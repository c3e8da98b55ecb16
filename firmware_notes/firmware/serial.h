// The line: one record at a time, turned into characters as fast as the line takes them.
#pragma once

#include <stdbool.h>
#include <stdint.h>

extern uint32_t serial_dropped_lines;

// What the record being sent goes on with.
extern enum line_part {
    LINE_IDLE,
    LINE_KIND,
    LINE_SPACE,
    LINE_SIGN,
    LINE_DIGITS,
    LINE_TEXT
} serial_next;

void serial_start(void);

// True when the record before has gone out to its last character.
static inline bool serial_idle(void) { return serial_next == LINE_IDLE; }

// A record: line_begin(), its fields, line_end(). Only when serial_idle().
void line_begin(char kind);
void line_number(uint32_t value);
void line_step(uint8_t step, uint32_t distance_us);  // step as in encoder.h, 0 is none
void line_text(const char *text);                    // in flash; at most one a record
void line_end(void);

// A record that was due and could not be sent: it takes a running number and is counted.
void serial_drop(void);

// Sends one character if the line has room. Call often.
void serial_pump(void);

// Takes a byte from the host, if there is one; true when it ends a line that is '?' alone.
bool serial_asked(void);
