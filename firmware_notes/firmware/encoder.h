// The encoder: count, what surrounds an event, how wide the four states are.
#pragma once

#include <stdint.h>

#define UP 1
#define DOWN 2  // bits of a step; 0 is none to tell

struct encoder {
    int32_t count;
    uint16_t back;     // count minus the lowest since the last position record
    uint16_t ahead;    // highest minus the count
    uint32_t last_us;  // the newest edge: when, and which way
    uint32_t before_last_us;
    uint8_t last_step;
    uint8_t before_last_step;
    uint32_t dwell_us[4];
    uint32_t breaks;
    uint32_t illegal;
};

extern struct encoder encoder;

void encoder_start(uint8_t pins);

// The pins of the encoder changed. Returns the step, or 0 when it was illegal.
uint8_t encoder_change(uint8_t pins, uint32_t t_us);

// Counts may have been missed before these pins were read.
void encoder_missed(uint8_t pins);

// Forgets edges so old that the clock could come round to them again. At least every 30 minutes.
void encoder_age(uint32_t now_us);
