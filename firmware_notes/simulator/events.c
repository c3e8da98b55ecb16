#include "events.h"

#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static char text[65536];
static size_t begin, end;
static bool ended;
static long line_number;

bool events_ended(void) { return ended && begin == end; }

// Reads more of the input. False when there is none now.
static bool read_more(bool wait) {
    if (ended) return false;
    struct pollfd input = {.fd = STDIN_FILENO, .events = POLLIN};
    if (!wait && poll(&input, 1, 0) <= 0) return false;
    memmove(text, text + begin, end - begin);
    end -= begin;
    begin = 0;
    ssize_t n = read(STDIN_FILENO, text + end, sizeof text - end);
    if (n > 0) end += n;
    if (n <= 0) ended = true;
    return n > 0;
}

static bool parse(char *line, struct event *e) {
    memset(e, 0, sizeof *e);
    int n = sscanf(line, "%lf %15s %2047s %63[^\n]", &e->t_us, e->what, e->first, e->rest);
    if (n >= 2) return true;
    if (n <= 0 && line[strspn(line, " \t\r")] == '\0') return false;
    fprintf(stderr, "chip: line %ld is no event: %s\n", line_number, line);
    exit(2);
}

bool events_next(struct event *e, bool wait) {
    for (;;) {
        char *stop = memchr(text + begin, '\n', end - begin);
        if (stop) {
            *stop = '\0';
            char *line = text + begin;
            begin = stop + 1 - text;
            line_number++;
            if (parse(line, e)) return true;
        } else if (!read_more(wait)) {
            if (ended) begin = end;  // half a line is no event
            return false;
        }
    }
}
