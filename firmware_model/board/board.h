/* The machine: what main.c asks of it. `self` is what the link hands over; one board needs none. */
#ifndef BOARD_H
#define BOARD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "../core/liftlatch.h"
#include "../store/store.h"

/* start.c */
void board_restart(void);               /* as from power-up; does not return */
uint32_t board_stack_bytes(void *self); /* most stack ever used */
void board_lock(void *self);            /* keep interrupts away, and let them in again */
void board_unlock(void *self);

/* main.c */
extern lift_controller_t board_controller;
int main(void);

/* timer.c */
void timer_init(void);
uint32_t timer_ms(void);                /* since power-up */
void timer_begin(void *self);           /* locks interrupts: what lies between is timed alone */
uint32_t timer_end(void *self);         /* unlocks; nanoseconds between the two calls */
void timer_interrupt(void);

/* uart.c */
void uart_init(void);
void uart_write(void *self, const uint8_t *bytes, size_t count);
size_t uart_read(const uint8_t **bytes); /* what has come, or some of it; it stays until uart_taken */
void uart_taken(size_t count);
uint16_t uart_lost(void);               /* bytes that came when there was no room */
void uart_drain(void);                  /* until everything has left */
void uart_interrupt(void);

/* flash.c */
extern const lift_flash_t board_flash;

#define REGISTER(address) (*(volatile uint32_t *)(address))
#define LOCK_INTERRUPTS() __asm__ volatile("cpsid i" ::: "memory")
#define UNLOCK_INTERRUPTS() __asm__ volatile("cpsie i" ::: "memory")
#define WAIT_FOR_INTERRUPT() __asm__ volatile("wfi" ::: "memory") /* locked or not */

enum { BOARD_HZ = 50000000, BOARD_NS_PER_CYCLE = 1000000000 / BOARD_HZ };

#endif
