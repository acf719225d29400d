/* The log is filled from a signal handler, which interrupts the printing anywhere. The last line says how many transfers
 * were added. The bytes of each transfer are its number, again and again. */
#define _XOPEN_SOURCE 600
#include "transferlog.h"

#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <sys/time.h>

static uint8_t room[1500]; /* full after 14 of them: some are lost */
static void put(const char *text)
{
    fputs(text, stdout);
}
static tlog usb = {.room = room, .size = sizeof room, .keep = 64, .put = put};
static volatile sig_atomic_t added;

static void interrupt(int number)
{
    (void)number;
    for (int i = added % 5 ? 3 : 41; i; i--) {
        uint8_t data[64];
        memset(data, (int)(added & 0xff), sizeof data);
        tlog_transfer t = {0};
        t.address = 1;
        t.endpoint = 0x81;
        t.began_us = t.ended_us = (uint32_t)added;
        t.asked = t.moved = (uint32_t)(added % 64 + 1);
        t.data = data;
        tlog_add(&usb, &t);
        added = added + 1;
    }
}

int main(void)
{
    struct sigaction action;
    struct itimerval often = {{0, 50}, {0, 50}}, never = {{0, 0}, {0, 0}};
    memset(&action, 0, sizeof action);
    action.sa_handler = interrupt;
    action.sa_flags = SA_RESTART; /* else a write of stdio may fail half way */
    sigaction(SIGALRM, &action, NULL);
    setitimer(ITIMER_REAL, &often, NULL);
    while (added < 6000)
        tlog_print(&usb, 2);
    setitimer(ITIMER_REAL, &never, NULL);
    while (tlog_print(&usb, 100) > 0) {}
    printf("added %d\n", (int)added);
    return 0;
}
