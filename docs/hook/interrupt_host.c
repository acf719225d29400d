/* The transfer log with an interrupt-driven host: copy in the completion interrupt, print from the main loop. */
#include "invented_host.h"
#include "transferlog.h"

static uint8_t room[8192];

static const tlog_status words[] = {
    {IRQ_OK, ""},       {IRQ_STALL, "STALL"},    {IRQ_TIMEOUT, "TIMEOUT"},
    {IRQ_ERROR, "ERROR"}, {IRQ_UNPLUGGED, "GONE"}, {IRQ_CANCELLED, "CANCELLED"}, {0, 0},
};

static tlog usb_log = {.room = room, .size = sizeof room, .keep = 64, .words = words, .put = board_puts};

/* In the interrupt. A hub's interrupt pipe ends often with nothing to say: leave that out. */
static void ended(irq_request *request)
{
    bool in = request->is_control ? (request->setup[0] & 0x80) != 0 : (request->endpoint & 0x80) != 0;
    if (in && request->moved)
        cache_invalidate(request->data, request->moved); /* else the log keeps what the cache held before */
    tlog_transfer t = {0};
    t.began_us = request->queued_us;
    t.ended_us = board_micros();
    t.bus = request->controller;
    t.address = request->address;
    t.endpoint = request->endpoint;
    t.setup = request->is_control ? request->setup : 0;
    t.data = request->data;
    t.asked = request->length;
    t.moved = request->moved;
    t.status = request->result;
    tlog_add(&usb_log, &t);
    request->driver_done(request);
}

/* Call this wherever your code called irq_queue. */
void logged_queue(irq_request *request)
{
    request->driver_done = request->done;
    request->done = ended;
    request->queued_us = board_micros();
    irq_queue(request);
}

/* From the main loop, never from the interrupt: a line of 31 bytes takes about 12 ms at 115,200 baud. */
void print_some_transfers(void)
{
    tlog_print(&usb_log, 4);
}
