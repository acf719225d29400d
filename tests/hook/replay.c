/* Feeds transfers from standard input through the log: replay SIZE KEEP BURST. A record is thirteen 32-bit numbers in
 * the byte order of this machine (began, ended, bus, address, endpoint, whether it has a setup packet, the packet in two,
 * asked, moved, status, bytes that follow, zero), then the bytes. The log is printed after each BURST records. */
#include "transferlog.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void put(const char *text)
{
    fputs(text, stdout);
}

int main(int argc, char **argv)
{
    static const tlog_status words[] = {
        {0, ""},         {-32, "STALL"},  {-110, "TIMEOUT"}, {-71, "ERROR"}, {-75, "BABBLE"},
        {-84, "CRC"},    {-19, "GONE"},   {-104, "CANCELLED"}, {0, NULL},
    };
    if (argc != 4)
        return 2;
    tlog log = {.words = words, .put = put};
    log.size = (uint32_t)strtoul(argv[1], NULL, 10);
    uint8_t *room = malloc(log.size + 1u);
    log.room = room;
    uint32_t keep = (uint32_t)strtoul(argv[2], NULL, 10);
    unsigned long burst = strtoul(argv[3], NULL, 10), count = 0;
    uint32_t n[13];
    while (fread(n, sizeof n, 1, stdin) == 1) {
        uint8_t *data = calloc(n[11] + 256u, 1), setup[8];
        if (!data || fread(data, 1, n[11], stdin) != n[11])
            return 1;
        memcpy(setup, n + 6, 8);
        log.keep = keep < n[11] ? keep : n[11]; /* a recording may hold less than was moved */
        tlog_transfer t = {0};
        t.began_us = n[0];
        t.ended_us = n[1];
        t.bus = (uint8_t)n[2];
        t.address = (uint8_t)n[3];
        t.endpoint = (uint8_t)n[4];
        t.setup = n[5] ? setup : NULL;
        t.data = n[11] ? data : NULL;
        t.asked = n[8];
        t.moved = n[9];
        t.status = (int32_t)n[10];
        tlog_add(&log, &t);
        free(data);
        if (++count % burst == 0)
            tlog_print(&log, 1000000);
    }
    tlog_print(&log, 1000000);
    free(room);
    return 0;
}
