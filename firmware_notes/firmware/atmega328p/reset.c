// Why the chip was reset.
#include <avr/wdt.h>

#include "board.h"

#define CAUSES (_BV(PORF) | _BV(EXTRF) | _BV(BORF) | _BV(WDRF))

static uint8_t mcusr_at_start __attribute__((section(".noinit")));
static uint8_t r2_at_start __attribute__((section(".noinit")));

// Before anything else: the cause of the reset, and the watchdog off, which stays on after it has
// reset the chip. Many boot loaders clear the register and leave what it held in r2.
void keep_reset_cause(void) __attribute__((naked, used, section(".init3")));
void keep_reset_cause(void) {
    __asm__ volatile("sts %0, r2" : "=m"(r2_at_start));
    mcusr_at_start = MCUSR;
    MCUSR = 0;
    wdt_disable();
}

uint8_t reset_cause(void) {
    if (mcusr_at_start & CAUSES) return mcusr_at_start & CAUSES;
    return r2_at_start & ~CAUSES ? 0 : r2_at_start;  // unlikely bits: not a cause, so not known
}
