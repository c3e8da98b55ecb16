#define _GNU_SOURCE
#include "line.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <termios.h>
#include <unistd.h>

static int out = STDOUT_FILENO;
static int terminal = -1;
static uint8_t gathered[4096];
static size_t count;

void line_to_output(void) { out = STDOUT_FILENO; }

const char *line_to_terminal(void) {
    terminal = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
    if (terminal < 0 || grantpt(terminal) || unlockpt(terminal)) return NULL;
    const char *path = ptsname(terminal);
    // Held open, so that the line outlives each program that reads it.
    int held = open(path, O_RDWR | O_NOCTTY);
    struct termios raw;
    if (held < 0 || tcgetattr(held, &raw)) return NULL;
    cfmakeraw(&raw);
    tcsetattr(held, TCSANOW, &raw);
    out = terminal;
    return path;
}

void line_send(uint8_t byte) {
    if (count == sizeof gathered) line_flush();
    gathered[count++] = byte;
}

void line_flush(void) {
    size_t done = 0;
    while (done < count) {
        ssize_t n = write(out, gathered + done, count - done);
        if (n > 0) {
            done += n;
        } else if (terminal >= 0 && errno == EAGAIN) {
            break;  // nobody reads: lost
        } else if (errno != EINTR) {
            perror("chip: the line");
            exit(3);
        }
    }
    count = 0;
}

size_t line_receive(uint8_t *bytes, size_t room) {
    if (terminal < 0) return 0;
    ssize_t n = read(terminal, bytes, room);
    return n > 0 ? n : 0;
}
