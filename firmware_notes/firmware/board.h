// Which pin is what, on an ATmega328P at 16 MHz.
//
// All six inputs sit on port D, so that one read of the port, at the start of the one interrupt,
// sees them all at the same instant. Pins 0 and 1 of that port are the serial line.
#pragma once

#include <avr/io.h>

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

#define LAMP_PORT PORTB  // the lamp on most boards: changes once a second while all is well
#define LAMP_DDR DDRB
#define LAMP _BV(PB5)

#define CONTACTS 2
