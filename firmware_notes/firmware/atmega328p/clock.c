#include "clock.h"

uint32_t clock_turns_us;
uint16_t clock_ticks;
