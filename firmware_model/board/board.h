/* The machine: what main.c asks of it. */
#ifndef BOARD_H
#define BOARD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "../core/liftlatch.h"
#include "../store/store.h"

/* start.c */
void board_restart(void);          /* as from power-up; does not return */
uint32_t board_stack_bytes(void);  /* most stack ever used */
void board_lock(void);             /* interrupts off */
void board_unlock(void);
void board_wait(void);             /* until an interrupt is due; call it locked */

/* main.c */
extern ll_controller_t board_controller;
int main(void);

/* timer.c */
void timer_init(void);
uint32_t timer_ms(void);           /* since power-up */
void timer_begin(void);            /* locks: what lies between is timed alone */
uint32_t timer_end(void);          /* unlocks; nanoseconds between the two calls */
void timer_interrupt(void);

/* uart.c */
void uart_init(void);
void uart_write(const uint8_t *bytes, size_t count);
size_t uart_read(const uint8_t **bytes); /* what has come, some of it; it stays until uart_taken */
void uart_taken(size_t count);
uint16_t uart_lost(void);          /* bytes that came when there was no room */
void uart_drain(void);             /* until everything has left */
void uart_interrupt(void);

/* flash.c */
extern const ll_flash_t board_flash;

#define REGISTER(address) (*(volatile uint32_t *)(address))

enum { BOARD_HZ = 50000000, BOARD_NS_PER_CYCLE = 1000000000 / BOARD_HZ };

#endif
