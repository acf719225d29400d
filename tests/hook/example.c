/* A stick for the examples: each of the two invented hosts gets the same few transfers from it. Built once for each host,
 * with POLLED defined or not. */
#include "invented_host.h"

#include <stdio.h>
#include <string.h>

static uint32_t now = 1000;

uint32_t board_micros(void)
{
    return now += 20;
}

void board_puts(const char *text)
{
    fputs(text, stdout);
}

/* The answers in their order: result, bytes moved, bytes. */
enum { OK, STALLED, SILENT };
static const struct {
    int result;
    uint32_t moved;
    uint8_t data[24];
} answers[] = {
    {STALLED, 0, {0}},                                              /* Get Max LUN */
    {OK, 31, {0}},                                                  /* a CBW: MODE SENSE(6), 192 bytes */
    {STALLED, 24, {0x17, 0, 0, 0, 0x08, 0x12}},                     /* 24 bytes, then STALL */
    {OK, 0, {0}},                                                   /* CLEAR_FEATURE(ENDPOINT_HALT) */
    {OK, 13, {0x55, 0x53, 0x42, 0x53, 1, 0, 0, 0, 0xa8, 0, 0, 0, 0}}, /* its CSW, residue 168 */
    {OK, 31, {0}},                                                  /* a CBW: TEST UNIT READY */
    {SILENT, 0, {0}},                                               /* no CSW */
};
static unsigned step;

static int answer(void *data, bool in, uint32_t *moved)
{
    *moved = answers[step].moved;
    if (in)
        memcpy(data, answers[step].data, *moved);
    return answers[step++].result;
}

static uint8_t buffer[512];
static const uint8_t max_lun[8] = {0xa1, 0xfe, 0, 0, 0, 0, 1, 0}, clear[8] = {2, 1, 0, 0, 0x81, 0, 0, 0};
static const uint8_t sense[31] = {0x55, 0x53, 0x42, 0x43, 1, 0, 0, 0, 192, 0, 0, 0, 0x80, 0, 6, 0x1a, 0, 0x3f, 0, 192};
static const uint8_t ready[31] = {0x55, 0x53, 0x42, 0x43, 2, 0, 0, 0, 0, 0, 0, 0, 0, 0, 6};

#ifdef POLLED
int poll_transfer(poll_pipe pipe, const uint8_t *setup, void *data, uint32_t length, uint32_t *moved)
{
    static const int results[] = {POLL_OK, POLL_STALLED, POLL_NO_ANSWER};
    (void)length;
    return results[answer(data, setup ? setup[0] & 0x80 : pipe.endpoint & 0x80, moved)];
}

static void transfer(uint8_t endpoint, const uint8_t *setup, const uint8_t *out, uint32_t length)
{
    poll_pipe pipe = {5, endpoint};
    uint32_t moved;
    if (out)
        memcpy(buffer, out, length);
    logged_transfer(pipe, setup, buffer, length, &moved);
}
#else
void cache_invalidate(void *data, uint32_t length)
{
    (void)data;
    (void)length;
}

void irq_queue(irq_request *request)
{
    static const int results[] = {IRQ_OK, IRQ_STALL, IRQ_ERROR};
    bool in = request->is_control ? request->setup[0] & 0x80 : request->endpoint & 0x80;
    request->result = results[answer(request->data, in, &request->moved)];
    request->done(request);
}

static void finished(irq_request *request)
{
    (void)request;
}

static void transfer(uint8_t endpoint, const uint8_t *setup, const uint8_t *out, uint32_t length)
{
    irq_request request = {.address = 5, .endpoint = endpoint, .data = buffer, .length = length, .done = finished};
    request.is_control = setup != NULL;
    if (setup)
        memcpy(request.setup, setup, 8);
    if (out)
        memcpy(buffer, out, length);
    logged_queue(&request);
}
#endif

int main(void)
{
    transfer(0, max_lun, NULL, 1);
    transfer(2, NULL, sense, 31);
    transfer(0x81, NULL, NULL, 192);
    transfer(0, clear, NULL, 0);
    transfer(0x81, NULL, NULL, 13);
    transfer(2, NULL, ready, 31);
    transfer(0x81, NULL, NULL, 13);
    for (int i = 0; i < 5; i++)
        print_some_transfers();
    return 0;
}
