/* Two host stacks that do not exist, as the examples call them: put your own in their place. */
#ifndef INVENTED_HOST_H
#define INVENTED_HOST_H

#include <stdbool.h>
#include <stdint.h>

/* Both: a clock and a console. */
uint32_t board_micros(void);
void board_puts(const char *text);

/* A polled host: one blocking call a transfer. */
typedef struct {
    uint8_t address;
    uint8_t endpoint; /* bit 7 set for IN */
} poll_pipe;

enum { POLL_OK = 0, POLL_STALLED = 1, POLL_NAK_LIMIT = 2, POLL_NO_ANSWER = 3, POLL_BAD_CRC = 4 };

/* Setup is null but for control transfers. Moved is set whatever the result. */
int poll_transfer(poll_pipe pipe, const uint8_t *setup, void *data, uint32_t length, uint32_t *moved);

/* A host that works by interrupt: a request is queued, and done is called from the interrupt when it has ended. */
typedef struct irq_request irq_request;
struct irq_request {
    uint8_t controller, address, endpoint;
    uint8_t setup[8];
    bool is_control;
    void *data;
    uint32_t length, moved;
    int result;
    uint32_t queued_us;
    void (*done)(irq_request *request);
    void (*driver_done)(irq_request *request);
};

enum { IRQ_OK = 1, IRQ_STALL = -4, IRQ_TIMEOUT = -5, IRQ_ERROR = -6, IRQ_UNPLUGGED = -7, IRQ_CANCELLED = -8 };

void irq_queue(irq_request *request);
void cache_invalidate(void *data, uint32_t length);

/* What the examples offer in place of poll_transfer and irq_queue, and to the main loop. */
int logged_transfer(poll_pipe pipe, const uint8_t *setup, void *data, uint32_t length, uint32_t *moved);
void logged_queue(irq_request *request);
void print_some_transfers(void);
#endif
