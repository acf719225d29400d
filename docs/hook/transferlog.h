/* Prints USB transfers as lines of text that sticktrace reads (docs/hex-text.md), from a host that has a console and
 * little else. C99, no heap, no standard library.
 *
 *   tlog_add    when a transfer has ended: copies it into a ring. Short, never waits; may be called from an interrupt.
 *   tlog_print  from the main loop: turns what the ring holds into lines and hands them to your console.
 *
 * One call for each whole transfer: a control transfer with its setup packet, data and status stage is one, a NAK that
 * the host controller tries again is none. */
#ifndef TRANSFERLOG_H
#define TRANSFERLOG_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* What your stack's result numbers mean. The words are those of docs/hex-text.md: "" for success, "STALL", "NAK",
 * "TIMEOUT", "BABBLE", "CRC", "ERROR", "GONE", "CANCELLED". The last row has a null word. */
typedef struct {
    int32_t number;
    const char *word;
} tlog_status;

/* One transfer that has ended. */
typedef struct {
    uint32_t began_us, ended_us;  /* a clock of microseconds that may wrap; equal if you have one time only */
    uint8_t bus;                  /* which host controller, 0 if there is one */
    uint8_t address;              /* of the device, as it was when the transfer began */
    uint8_t endpoint;             /* number, with bit 7 set for IN; 0 for a control transfer */
    const uint8_t *setup;         /* the 8 setup bytes of a control transfer, else null */
    const void *data;             /* IN: what came, also in front of a STALL; OUT: what was to go; null if none */
    uint32_t asked, moved;        /* bytes that the transfer was set up for, and that crossed the bus */
    int32_t status;               /* your stack's own number */
} tlog_transfer;

typedef struct {
    /* Yours to set. */
    volatile uint8_t *room;       /* the ring: 2 KiB hold about 20 transfers with 64 bytes each */
    uint32_t size;                /* its size in bytes */
    uint32_t keep;                /* how much of a bulk transfer is kept: 64 shows every command, status and sense */
    const tlog_status *words;
    void (*put)(const char *text);
    /* The log's own; start at zero. */
    volatile uint32_t head, tail, lost;
    uint32_t said;
    uint8_t number;
} tlog;

void tlog_add(tlog *log, const tlog_transfer *transfer);

/* Prints at most so many transfers; returns how many there were. */
unsigned tlog_print(tlog *log, unsigned most);

#ifdef __cplusplus
}
#endif
#endif
