#include "edges.h"

#include <stddef.h>

#include "encoder.h"

#define ROOM 48     // edges that can wait
#define SPARE 6     // of these, kept for inputs that have few waiting
#define FEW 3
#define SETTLED 24  // so many waiting at most: a cut burst is told

uint32_t edges_lost;

static struct edge queue[ROOM];  // a ring, in order of begins_us()
static uint8_t oldest, waiting;
static uint8_t waiting_of[INPUTS];
static uint32_t last_edge_us[INPUTS];
static bool some_open;  // an edge may be waiting for the encoder
static bool some_burst;

// A burst being cut: its newest edge is kept whole, those before it are only counted.
static struct burst {
    bool open;
    struct edge newest;
    uint32_t left_out, first_us, last_us, longest_us[2];
} bursts[INPUTS];

static struct edge *at(uint8_t place) {
    uint8_t i = oldest + place;
    return &queue[i < ROOM ? i : i - ROOM];
}

static void describe(struct edge *e, uint8_t input, uint8_t level, uint32_t t_us) {
    e->t_us = t_us;
    e->count = encoder.count;
    e->before_us[0] = t_us - encoder.before_last_us;
    e->before_us[1] = t_us - encoder.last_us;
    e->steps[0] = encoder.before_last_step | encoder.last_step << 2;
    e->steps[1] = 0;
    e->input = input;
    e->level = level;
    e->closed = 0;
    e->cut = 0;
    some_open = true;
}

static void lengthen(uint32_t *longest, uint32_t run_us) {
    if (run_us > *longest) *longest = run_us;
}

// The newest edge of the burst is left out too, since another has come.
static void leave_newest_out(struct burst *b, uint32_t next_us) {
    if (!b->left_out++) b->first_us = b->newest.t_us;
    b->last_us = b->newest.t_us;
    lengthen(&b->longest_us[b->newest.level], next_us - b->last_us);
}

static bool has_room(uint8_t input) {
    return waiting < (waiting_of[input] < FEW ? ROOM : ROOM - SPARE);
}

void edges_change(uint8_t input, uint8_t level, uint32_t t_us) {
    struct burst *b = &bursts[input];
    struct edge *e = &b->newest;
    if (b->open) {
        leave_newest_out(b, t_us);
    } else if (has_room(input)) {
        e = at(waiting++);
        waiting_of[input]++;
    } else {
        b->open = some_burst = true;
        b->left_out = 0;
        b->longest_us[level] = 0;
        b->longest_us[!level] = t_us - last_edge_us[input];
    }
    describe(e, input, level, t_us);
    last_edge_us[input] = t_us;
}

void edges_unseen(uint8_t input, uint8_t level, uint32_t since_us, uint32_t t_us) {
    struct burst *b = &bursts[input];
    if (!b->open) {
        b->open = some_burst = true;
        b->left_out = 0;
        b->longest_us[level] = 0;
        b->longest_us[!level] = since_us - last_edge_us[input];
    } else {
        leave_newest_out(b, since_us);
    }
    // At least one edge came when nobody looked.
    if (!b->left_out++) b->first_us = since_us;
    b->last_us = since_us;
    describe(&b->newest, input, level, t_us);
    b->newest.steps[0] = 0;
    last_edge_us[input] = t_us;
}

static void add_after(struct edge *e, uint8_t step, uint32_t t_us) {
    uint32_t distance_us = t_us - e->t_us;
    if (distance_us > AFTER_LIMIT_US) {
        e->closed = 1;
        return;
    }
    uint8_t *d = e->after_us[0];
    if (e->steps[1]) {
        d = e->after_us[1];
        e->steps[1] |= step << 2;
        e->closed = 1;
    } else {
        e->steps[1] = step;
        some_open = true;
    }
    d[0] = distance_us;
    d[1] = distance_us >> 8;
    d[2] = distance_us >> 16;
}

// Those that still wait for the encoder are the newest, cuts between them set aside.
static struct edge *next_open(uint8_t *place) {
    while (*place) {
        struct edge *e = at(--*place);
        if (!e->closed) return e;
        if (!e->cut) break;
    }
    return NULL;
}

static void __attribute__((noinline)) add_after_each(uint8_t step, uint32_t t_us) {
    some_open = false;
    uint8_t place = waiting;
    struct edge *e;
    while ((e = next_open(&place))) add_after(e, step, t_us);
    if (!some_burst) return;
    for (uint8_t i = 0; i < INPUTS; i++) {
        if (bursts[i].open && !bursts[i].newest.closed) add_after(&bursts[i].newest, step, t_us);
    }
}

void edges_encoder_step(uint8_t step, uint32_t t_us) {
    if (some_open) add_after_each(step, t_us);
}

void edges_encoder_illegal(void) {
    uint8_t place = waiting;
    struct edge *e;
    while ((e = next_open(&place))) e->closed = 1;
    for (uint8_t i = 0; i < INPUTS; i++) bursts[i].newest.closed = 1;
    some_open = false;
}

// What is sent in order of time: a cut by its first edge, since silence after the edge before it
// must not pass for rest.
static uint32_t begins_us(const struct edge *e) { return e->cut ? e->first_us : e->t_us; }

// Adds at the end, then moves towards the front past what is newer.
static void insert(const struct edge *e) {
    uint8_t place = waiting++;
    waiting_of[e->input]++;
    for (; place; place--) {
        struct edge *before = at(place - 1);
        if ((int32_t)(begins_us(before) - begins_us(e)) <= 0) break;
        *at(place) = *before;
    }
    *at(place) = *e;
}

static void __attribute__((noinline)) settle_bursts(void) {
    some_burst = false;
    for (uint8_t i = 0; i < INPUTS; i++) {
        struct burst *b = &bursts[i];
        if (!b->open) continue;
        if (waiting > SETTLED) {
            some_burst = true;
            continue;
        }
        if (b->left_out) {
            struct edge cut = {
                .t_us = b->last_us,
                .first_us = b->first_us,
                .longest_us = {b->longest_us[0], b->longest_us[1]},
                .left_out = b->left_out,
                .input = i,
                .closed = 1,
                .cut = 1,
            };
            insert(&cut);
        }
        insert(&b->newest);
        b->open = false;
    }
}

void edges_settle(void) {
    if (some_burst) settle_bursts();
}

const struct edge *edges_ready(uint32_t now_us) {
    if (!waiting) return NULL;
    struct edge *e = at(0);
    return e->closed || now_us - e->t_us > AFTER_LIMIT_US ? e : NULL;
}

void edges_sent(void) {
    waiting_of[at(0)->input]--;
    waiting--;
    if (++oldest == ROOM) oldest = 0;
}

uint32_t edges_held_us(uint32_t now_us) {
    uint32_t held_us = 0;
    if (waiting) held_us = now_us - begins_us(at(0));
    for (uint8_t i = 0; i < INPUTS; i++) {
        const struct burst *b = &bursts[i];
        if (b->open) lengthen(&held_us, now_us - (b->left_out ? b->first_us : b->newest.t_us));
    }
    return held_us;
}
