/* See transferlog.h. The ring has one writer (tlog_add) and one reader (tlog_print); head is moved by the one, tail by the
 * other, so neither has to shut out the other on a single core. */
#include "transferlog.h"

#include <stddef.h>

/* Set these in your build where tlog_add is called from several interrupts or tasks, or where two cores share the log. */
#ifndef TLOG_LOCK
#define TLOG_LOCK() ((void)0)
#define TLOG_UNLOCK() ((void)0)
#endif
#ifndef TLOG_BARRIER
#define TLOG_BARRIER() ((void)0)
#endif
#ifndef TLOG_NEWLINE
#define TLOG_NEWLINE "\r\n"
#endif

enum {
    CONTROL_KEEP = 256, /* a descriptor is of little use without its end */
    LEAST = 64,         /* what is kept of a transfer when the room runs out, before it is lost: wrappers stay whole */
    SETUP = 8
};

/* A transfer as it lies in the ring; the bytes that were kept follow. */
typedef struct {
    uint32_t began_us, ended_us, asked, moved, kept, lost;
    int32_t status;
    uint8_t bus, address, endpoint, control;
    uint8_t setup[SETUP];
} entry;

/* -- writing ------------------------------------------------------------------------------------------------------ */

/* The bytes are volatile, as head and tail are, so that no compiler moves them past the store that publishes them. */
static uint32_t copy_in(tlog *log, uint32_t at, const void *from, uint32_t count)
{
    const uint8_t *byte = from;
    while (count--) {
        log->room[at++] = *byte++;
        if (at == log->size)
            at = 0;
    }
    return at;
}

static uint32_t smaller(uint32_t one, uint32_t other)
{
    return one < other ? one : other;
}

/* How many bytes there were to print: what came of an IN transfer, what was to go of an OUT transfer. */
static uint32_t present(const entry *e)
{
    return e->endpoint & 0x80 ? e->moved : e->asked;
}

static entry entry_of(const tlog *log, const tlog_transfer *t)
{
    entry e;
    e.began_us = t->began_us;
    e.ended_us = t->ended_us;
    e.asked = t->asked;
    e.moved = t->moved;
    e.lost = log->lost;
    e.status = t->status;
    e.bus = t->bus;
    e.address = t->address;
    e.endpoint = t->endpoint;
    e.control = t->setup != NULL;
    for (unsigned i = 0; i < SETUP; i++)
        e.setup[i] = t->setup ? t->setup[i] : 0;
    if (t->setup) /* bit 7 of bmRequestType is the direction, USB 2.0 Table 9-2 */
        e.endpoint = (uint8_t)((e.endpoint & 0x0f) | (e.setup[0] & 0x80));
    e.kept = t->data ? smaller(smaller(present(&e), e.asked), t->setup ? CONTROL_KEEP : log->keep) : 0;
    return e; /* babble moves more than the buffer of an IN transfer holds */
}

void tlog_add(tlog *log, const tlog_transfer *t)
{
    TLOG_LOCK();
    entry e = entry_of(log, t);
    uint32_t head = log->head, tail = log->tail;
    uint32_t used = head >= tail ? head - tail : log->size - (tail - head);
    uint32_t room = log->size ? log->size - 1 - used : 0; /* one byte stays free: full is not empty */
    if (room < sizeof e + e.kept)
        e.kept = smaller(e.kept, LEAST);
    if (room < sizeof e + e.kept) {
        log->lost = log->lost + 1;
    } else {
        head = copy_in(log, head, &e, sizeof e);
        head = copy_in(log, head, t->data, e.kept);
        TLOG_BARRIER();
        log->head = head;
    }
    TLOG_UNLOCK();
}

/* -- printing ----------------------------------------------------------------------------------------------------- */

typedef struct {
    tlog *log;
    unsigned used;
    uint8_t sum, sums; /* of the characters of this line, and of those sums */
    char text[64];
} line;

static void flush(line *l)
{
    l->text[l->used] = '\0';
    l->used = 0;
    l->log->put(l->text);
}

static void say(line *l, const char *text)
{
    while (*text) {
        if (l->used == sizeof l->text - 1)
            flush(l);
        l->sum = (uint8_t)(l->sum + (uint8_t)*text);
        l->sums = (uint8_t)(l->sums + l->sum);
        l->text[l->used++] = *text++;
    }
}

static void say_number(line *l, uint32_t number)
{
    char digits[11];
    unsigned at = sizeof digits - 1;
    digits[at] = '\0';
    do {
        digits[--at] = (char)('0' + number % 10);
        number /= 10;
    } while (number);
    say(l, digits + at);
}

static void say_byte(line *l, uint8_t byte)
{
    static const char hex[] = "0123456789abcdef";
    char digits[3] = {hex[byte >> 4], hex[byte & 15], '\0'};
    say(l, digits);
}

static void say_named(line *l, const char *name, uint32_t number)
{
    say(l, name);
    say_number(l, number);
}

/* The mark that lets the reader see what the serial line lost: the line's number, the sums over all in front of "*". */
static void say_end(line *l)
{
    say(l, " #");
    say_byte(l, l->log->number++);
    uint8_t sum = l->sum, sums = l->sums;
    say(l, "*");
    say_byte(l, sum);
    say_byte(l, sums);
    say(l, TLOG_NEWLINE);
    l->sum = l->sums = 0;
}

static void say_status(line *l, int32_t number)
{
    const tlog_status *row = l->log->words;
    while (row && row->word && row->number != number)
        row++;
    if (row && row->word) {
        say(l, *row->word ? " " : "");
        say(l, row->word);
    } else { /* sticktrace reads 0 and negative errno numbers and names the rest as unknown */
        say_named(l, number < 0 ? " status -" : " status ", number < 0 ? 0u - (uint32_t)number : (uint32_t)number);
    }
}

static void say_setup(line *l, const uint8_t *setup)
{
    say(l, "SETUP:");
    for (unsigned i = 0; i < SETUP; i++) {
        say(l, " ");
        say_byte(l, setup[i]);
    }
    say(l, " ");
}

static void say_entry(line *l, const entry *e)
{
    say_number(l, e->ended_us);
    if (e->ended_us != e->began_us)
        say_named(l, "-", e->ended_us - e->began_us);
    say(l, " us ");
    if (e->bus) {
        say_named(l, "bus ", e->bus);
        say(l, " ");
    }
    say_named(l, "dev ", e->address);
    say(l, " ");
    if (e->control)
        say_setup(l, e->setup);
    say(l, e->endpoint & 0x80 ? "IN ep " : "OUT ep ");
    say_byte(l, e->endpoint);
    say_named(l, " ", e->moved);
    if (e->asked != e->moved)
        say_named(l, "/", e->asked);
    if (e->kept != present(e))
        say_named(l, " kept ", e->kept);
    say_status(l, e->status);
    say(l, ":");
}

static uint32_t copy_out(const tlog *log, uint32_t at, void *to, uint32_t count)
{
    uint8_t *byte = to;
    while (count--) {
        *byte++ = log->room[at++];
        if (at == log->size)
            at = 0;
    }
    return at;
}

static void say_lost(line *l, uint32_t lost)
{
    uint32_t more = lost - l->log->said; /* an older count than the last one said wraps to a large number */
    if (more && more < 0x80000000u) {
        say_named(l, "lost ", more);
        say(l, " transfers");
        say_end(l);
        l->log->said = lost;
    }
}

unsigned tlog_print(tlog *log, unsigned most)
{
    line l;
    l.log = log;
    l.used = 0;
    l.sum = l.sums = 0;
    unsigned printed = 0;
    while (printed < most && log->tail != log->head) {
        entry e;
        TLOG_BARRIER();
        uint32_t at = copy_out(log, log->tail, &e, sizeof e);
        say_lost(&l, e.lost);
        say_entry(&l, &e);
        for (uint32_t i = 0; i < e.kept; i++) {
            uint8_t byte;
            at = copy_out(log, at, &byte, 1);
            say(&l, " ");
            say_byte(&l, byte);
        }
        say_end(&l);
        TLOG_BARRIER();
        log->tail = at;
        printed++;
    }
    uint32_t lost = log->lost; /* read first: what an interrupt adds from here on makes the ring not empty */
    if (log->tail == log->head)
        say_lost(&l, lost);
    if (l.used)
        flush(&l);
    return printed;
}
