// The report part: what is said on the line, and when.
#pragma once

#include <stdint.h>

void report_start(uint8_t reset_cause);

// Begins the next record that is due. Only when the line is idle. ``pins`` are the last ones seen.
void report_poll(uint8_t pins, uint32_t now_us);

// The host has asked who is here.
void report_asked(void);
