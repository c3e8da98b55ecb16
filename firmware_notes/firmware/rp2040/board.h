// Which pin is what, on a board with an RP2040 at 48 MHz, and what that chip does in its own way.
//
// The inputs have the same numbers as on the first board, so that the rest is the same code: GPIO 2
// to 7. The serial line is GPIO 0 (out) and 1 (in). All pins are of 3.3 V.
#pragma once

#include <stdbool.h>
#include <stdint.h>

#define BOARD_NAME "timing-rig-2040-1"

#define PIN_A (1 << 2)
#define PIN_B (1 << 3)
#define PIN_INDEX (1 << 4)
#define PIN_FOOT (1 << 5)  // a switch to ground: low is pressed
#define PIN_CONTACT1 (1 << 6)
#define PIN_CONTACT2 (1 << 7)

#define PINS_ENCODER (PIN_A | PIN_B)
#define PINS_EDGES (PIN_INDEX | PIN_CONTACT1 | PIN_CONTACT2)
#define PINS_ALL (PINS_ENCODER | PINS_EDGES | PIN_FOOT)

#define PIN_SHIFT 2  // from the pins to the ``levels`` of the line format
#define LAMP (1 << 25)

#define CONTACTS 2

// All is in RAM.
#define FLASH
static inline char flash_char(const char *at) { return *at; }
static inline uint32_t flash_word(const uint32_t *at) { return *at; }

typedef uint32_t ticks_t;  // of the timer: microseconds

// Registers, by the chip's data sheet.
#define REGISTER(address) (*(volatile uint32_t *)(address))
#define GPIO_IN REGISTER(0xD0000004)
#define GPIO_OUT_XOR REGISTER(0xD000001C)
#define TIMER_NOW REGISTER(0x40054028)
#define UART(offset) REGISTER(0x40034000 + (offset))
#define WATCHDOG(offset) REGISTER(0x40058000 + (offset))

static inline uint8_t board_pins(void) { return GPIO_IN & PINS_ALL; }

void lamp_start(void);
static inline void lamp_change(void) { GPIO_OUT_XOR = LAMP; }

static inline void interrupts_start(void) { __asm__ volatile("cpsie i" ::: "memory"); }

// There is nothing to say: sleeps until a pin changes, or REST_US have passed.
#define REST_US 100
#define TIMER_ALARM REGISTER(0x40054010)
static inline void board_rest(void) {
    TIMER_ALARM = TIMER_NOW + REST_US;
    __asm__ volatile("wfi" ::: "memory");
}

#define WATCHDOG_TICKS 500000  // 250 ms: the chip counts two for each microsecond
void watchdog_start(void);
static inline void watchdog_feed(void) { WATCHDOG(4) = WATCHDOG_TICKS; }
uint8_t reset_cause(void);

void line_start(void);
static inline bool line_has_room(void) { return !(UART(0x18) & 1 << 5); }
static inline void line_put(char c) { UART(0) = (uint8_t)c; }
static inline bool line_heard(void) { return !(UART(0x18) & 1 << 4); }
static inline char line_taken(void) { return UART(0); }
