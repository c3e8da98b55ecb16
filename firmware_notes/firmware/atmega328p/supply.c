#include "supply.h"

#include <avr/io.h>

#define REFERENCE_MV 1100UL
#define FULL_SCALE 1024UL
#define SETTLE 16  // first measurements, while the reference comes up

static uint16_t highest;  // reading of the reference: high when the supply is low
static uint8_t settling = SETTLE;

void supply_start(void) {
    ADMUX = _BV(REFS0) | _BV(MUX3) | _BV(MUX2) | _BV(MUX1);  // 1.1 V against the supply
    ADCSRA = _BV(ADEN) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0) | _BV(ADSC);
}

void supply_poll(void) {
    if (ADCSRA & _BV(ADSC)) return;
    uint16_t reading = ADC;
    ADCSRA |= _BV(ADSC);
    if (settling) {
        settling--;
    } else if (reading > highest) {
        highest = reading;
    }
}

uint16_t supply_lowest_mv(void) {
    uint16_t reading = highest;
    highest = 0;
    return reading ? (REFERENCE_MV * FULL_SCALE + reading / 2) / reading : 0;
}
