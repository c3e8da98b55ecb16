// Which pin is what, on an ATmega328P at 16 MHz.
//
// All six inputs sit on port D, so that one read of the port, at the start of the one interrupt,
// sees them all at the same instant. Pins 0 and 1 of that port are the serial line.
#pragma once

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <avr/wdt.h>
#include <stdbool.h>
#include <stdint.h>

#define BOARD_NAME "timing-rig-328p-1"

#define PIN_A _BV(PD2)
#define PIN_B _BV(PD3)
#define PIN_INDEX _BV(PD4)
#define PIN_FOOT _BV(PD5)  // a switch to ground: low is pressed
#define PIN_CONTACT1 _BV(PD6)
#define PIN_CONTACT2 _BV(PD7)

#define PINS_ENCODER (PIN_A | PIN_B)
#define PINS_EDGES (PIN_INDEX | PIN_CONTACT1 | PIN_CONTACT2)
#define PINS_ALL (PINS_ENCODER | PINS_EDGES | PIN_FOOT)

#define PIN_SHIFT 2  // from the port to the ``levels`` of the line format

#define CONTACTS 2

// What is kept in flash, and how it is read.
#define FLASH PROGMEM
static inline char flash_char(const char *at) { return pgm_read_byte(at); }
static inline uint32_t flash_word(const uint32_t *at) { return pgm_read_dword(at); }

typedef uint16_t ticks_t;  // of the timer: half microseconds

static inline uint8_t board_pins(void) { return PIND; }

// The lamp on most boards: changes once a second while all is well.
static inline void lamp_start(void) { DDRB |= _BV(PB5); }
static inline void lamp_change(void) { PORTB ^= _BV(PB5); }

static inline void interrupts_start(void) { sei(); }
static inline void board_rest(void) {}  // there is nothing to say: this chip looks again at once
static inline void watchdog_start(void) { wdt_enable(WDTO_250MS); }
static inline void watchdog_feed(void) { wdt_reset(); }
uint8_t reset_cause(void);

// The line: 500000 baud.
static inline void line_start(void) {
    UCSR0A = _BV(U2X0);
    UBRR0 = F_CPU / 8 / 500000UL - 1;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(TXEN0) | _BV(RXEN0);
}
static inline bool line_has_room(void) { return UCSR0A & _BV(UDRE0); }
static inline void line_put(char c) { UDR0 = c; }
static inline bool line_heard(void) { return UCSR0A & _BV(RXC0); }
static inline char line_taken(void) { return UDR0; }
