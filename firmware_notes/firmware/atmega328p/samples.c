#include "samples.h"

#define SHED_EDGES 44  // so many waiting: only the encoder may still interrupt
#define SHED_ALL 60    // so many: nothing may (one interrupt can still be under way)

struct sample samples_ring[SAMPLES_ROOM];

_Static_assert(sizeof samples_ring == 256, "an offset of one byte has to wrap by itself");

// The one interrupt, and the one piece that is not plain C: compiled, it reads the pins after
// 31 cycles and takes 87; like this after 10 and 56. So a pulse of one microsecond is still seen.
ISR(PCINT2_vect, ISR_NAKED) {
    __asm__ volatile(
        "push r24                           \n\t"
        "in   r24, %[pins]                  \n\t"
        "push r30                           \n\t"
        "push r31                           \n\t"
        "in   r30, __SREG__                 \n\t"
        "push r30                           \n\t"
        "in   r30, %[head]                  \n\t"
        "ldi  r31, 0                        \n\t"
        "subi r30, lo8(-(samples_ring))     \n\t"
        "sbci r31, hi8(-(samples_ring))     \n\t"
        "st   Z, r24                        \n\t"
        "lds  r24, %[ticks]                 \n\t"  // latches the high byte
        "std  Z+1, r24                      \n\t"
        "lds  r24, %[ticks]+1               \n\t"
        "std  Z+2, r24                      \n\t"
        "lds  r24, %[mask]                  \n\t"
        "std  Z+3, r24                      \n\t"
        "in   r30, %[head]                  \n\t"
        "subi r30, -4                       \n\t"
        "out  %[head], r30                  \n\t"
        "in   r24, %[tail]                  \n\t"
        "sub  r30, r24                      \n\t"  // how many bytes wait
        "cpi  r30, %[shed_edges]            \n\t"
        "brsh 2f                            \n"
        "1:                                 \n\t"
        "pop  r30                           \n\t"
        "out  __SREG__, r30                 \n\t"
        "pop  r31                           \n\t"
        "pop  r30                           \n\t"
        "pop  r24                           \n\t"
        "reti                               \n"
        "2:                                 \n\t"
        "ldi  r24, %[encoder]               \n\t"
        "cpi  r30, %[shed_all]              \n\t"
        "brlo 3f                            \n\t"
        "ldi  r24, 0                        \n"
        "3:                                 \n\t"
        "sts  %[mask], r24                  \n\t"
        "rjmp 1b                            \n\t"
        :
        : [pins] "I"(_SFR_IO_ADDR(PIND)), [head] "I"(_SFR_IO_ADDR(SAMPLES_HEAD)),
          [tail] "I"(_SFR_IO_ADDR(SAMPLES_TAIL)), [ticks] "n"(_SFR_MEM_ADDR(TCNT1)),
          [mask] "n"(_SFR_MEM_ADDR(PCMSK2)), [encoder] "M"(PINS_ENCODER),
          [shed_edges] "M"(SHED_EDGES * sizeof(struct sample)),
          [shed_all] "M"(SHED_ALL * sizeof(struct sample)));
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
    enum blind blind = BLIND_NONE;
    cli();
    if (SAMPLES_HEAD == SAMPLES_TAIL) {
        blind = PCMSK2 ? BLIND_EDGES : BLIND_ALL;
        PCMSK2 = PINS_ALL;
        PCIFR = _BV(PCIF2);
        now->pins = PIND;
        now->ticks = TCNT1;
    }
    sei();
    return blind;
}
