/* The transfer log with a polled host: wrap its one transfer call, print when the main loop has time. */
#include "invented_host.h"
#include "transferlog.h"

static uint8_t room[4096];

static const tlog_status words[] = {
    {POLL_OK, ""},         {POLL_STALLED, "STALL"}, {POLL_NAK_LIMIT, "TIMEOUT"},
    {POLL_NO_ANSWER, "ERROR"}, {POLL_BAD_CRC, "CRC"},   {0, 0},
};

static tlog usb_log = {.room = room, .size = sizeof room, .keep = 64, .words = words, .put = board_puts};

/* Call this wherever your code called poll_transfer. Where the host gives up after so many NAKs, that is a time-out; a
 * NAK after which it goes on asking inside the same call is not the end of a transfer and shows only in its duration. */
int logged_transfer(poll_pipe pipe, const uint8_t *setup, void *data, uint32_t length, uint32_t *moved)
{
    tlog_transfer t = {0};
    t.began_us = board_micros();
    t.status = poll_transfer(pipe, setup, data, length, moved);
    t.ended_us = board_micros();
    t.address = pipe.address;
    t.endpoint = pipe.endpoint;
    t.setup = setup;
    t.data = data;
    t.asked = length;
    t.moved = *moved;
    tlog_add(&usb_log, &t);
    return (int)t.status;
}

/* From the main loop. A few lines at a time keep the loop responsive; what it cannot keep up with is counted. */
void print_some_transfers(void)
{
    tlog_print(&usb_log, 4);
}
