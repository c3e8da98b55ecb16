#include "samples.h"

#define SHED_EDGES 44  // so many waiting: only the encoder may still interrupt
#define SHED_ALL 60    // so many: nothing may (one interrupt can still be under way)

struct sample samples_ring[SAMPLES_ROOM];

ISR(PCINT2_vect) {
    uint8_t pins = PIND;
    uint16_t ticks = TCNT1;
    uint8_t head = SAMPLES_HEAD;
    struct sample *slot = &samples_ring[head];
    slot->pins = pins;
    slot->ticks = ticks;
    head = (head + 1) & (SAMPLES_ROOM - 1);
    SAMPLES_HEAD = head;
    uint8_t waiting = (head - SAMPLES_TAIL) & (SAMPLES_ROOM - 1);
    if (waiting >= SHED_EDGES) PCMSK2 = waiting >= SHED_ALL ? 0 : PINS_ENCODER;
}

void samples_start(void) {
    SAMPLES_HEAD = 0;
    SAMPLES_TAIL = 0;
    PORTD |= PINS_ALL;  // pull-ups: an input left open is quiet
    TCCR1A = 0;
    TCCR1B = _BV(CS11);  // 16 MHz / 8: half a microsecond
    PCMSK2 = PINS_ALL;
    PCIFR = _BV(PCIF2);
    PCICR = _BV(PCIE2);
}

enum blind samples_recover(struct sample *now) {
    enum blind blind = PCMSK2 ? BLIND_EDGES : BLIND_ALL;
    cli();
    PCMSK2 = PINS_ALL;
    PCIFR = _BV(PCIF2);
    now->pins = PIND;
    now->ticks = TCNT1;
    sei();
    return blind;
}
