// Edges of contacts and index, kept until their surroundings are known and the line has room.
#pragma once

#include <stdbool.h>
#include <stdint.h>

#define INPUTS 3  // 0 the index, then the contacts
#define AFTER_LIMIT_US 250000

// One edge, or one burst cut short. Distances before are ages; distances after have 24 bits.
struct edge {
    uint32_t t_us;  // a cut: when its last edge was
    union {
        struct {
            int32_t count;
            uint32_t before_us[2];  // the older first
            uint8_t after_us[2][3];
        };
        struct {
            uint32_t first_us;
            uint32_t longest_us[2];  // at level 0, at level 1
            uint32_t left_out;
        };
    };
    uint8_t steps[2];  // before: the older in the low two bits; after: the sooner in the low two
    uint8_t input : 2;
    uint8_t level : 1;
    uint8_t closed : 1;  // no more encoder edges can be told
    uint8_t cut : 1;
};

extern uint32_t edges_lost;  // edges that found no room at all, as far as one can know

// A contact or the index changed. The encoder of the same instant has been looked at already.
void edges_change(uint8_t input, uint8_t level, uint32_t t_us);

// The same, but the input was not watched since ``since_us``: told as a cut burst.
void edges_unseen(uint8_t input, uint8_t level, uint32_t since_us, uint32_t t_us);

// The encoder stepped, or it stepped in a way that nobody can follow.
void edges_encoder_step(uint8_t step, uint32_t t_us);
void edges_encoder_illegal(void);

// Puts what was cut back among the rest as soon as there is room.
void edges_settle(void);

// The next to be sent, or NULL; it stays valid until edges_sent().
const struct edge *edges_ready(uint32_t now_us);
void edges_sent(void);

// How long ago the oldest edge happened that has not been sent; 0 when there is none.
uint32_t edges_held_us(uint32_t now_us);

static inline uint32_t edge_after_us(const struct edge *e, uint8_t which) {
    const uint8_t *d = e->after_us[which];
    return d[0] | (uint32_t)d[1] << 8 | (uint32_t)d[2] << 16;
}
