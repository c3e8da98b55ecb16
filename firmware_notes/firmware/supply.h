// The supply, by measuring the chip's own 1.1 V reference against it.
#pragma once

#include <stdint.h>

void supply_start(void);

// Looks whether a measurement is done and starts the next. Never waits.
void supply_poll(void);

// The lowest supply since this was last asked, in millivolts; 0 when none has been measured.
uint16_t supply_lowest_mv(void);
