/* The machine: what main.c asks of it. `self` is what the link hands over; one board needs none.
 *
 * Shared by all boards: main.c, ring.c, flash.c, and start.c (Cortex-M) or start_rv32.c (RISC-V). A board's own
 * folder has device.c (clock, timer, serial port), device.h (its name, its vectors, the room of its ring) and
 * board.ld (its memory).
 */
#ifndef BOARD_H
#define BOARD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "../core/liftlatch.h"
#include "../store/store.h"
#include "device.h"

/* start.c, start_rv32.c */
void board_restart(void);               /* as from power-up; does not return */
uint32_t board_stack_bytes(void *self); /* most stack ever used */
void board_lock(void *self);            /* keep interrupts away, and let them in again */
void board_unlock(void *self);

/* main.c */
extern lift_controller_t board_controller;
int main(void);

/* device.c, of each board */
void device_init(void);                 /* clocks; before anything else */
void timer_init(void);
uint32_t timer_ms(void);                /* since power-up */
void timer_begin(void *self);           /* locks interrupts: what lies between is timed alone */
uint32_t timer_end(void *self);         /* unlocks; nanoseconds between the two calls */
void timer_interrupt(void);
void uart_init(void);                   /* 115200 baud, 8N1 */
void uart_write(void *self, const uint8_t *bytes, size_t count); /* waits for room */
void uart_drain(void);                  /* until everything has left */
void uart_interrupt(void);

/* ring.c: what has come on the serial port */
void ring_put(uint8_t byte, bool overrun); /* called by uart_interrupt only; overrun: one before it was lost */
size_t ring_read(const uint8_t **bytes);   /* what has come, or some of it; it stays until ring_taken */
void ring_taken(size_t count);
uint16_t ring_lost(void);                  /* bytes that came when there was no room */

/* flash.c */
extern const lift_flash_t board_flash;

#define REGISTER(address) (*(volatile uint32_t *)(address))
#if defined(__riscv)
#define LOCK_INTERRUPTS() __asm__ volatile("csrci mstatus, 8" ::: "memory")
#define UNLOCK_INTERRUPTS() __asm__ volatile("csrsi mstatus, 8" ::: "memory")
#else
#define LOCK_INTERRUPTS() __asm__ volatile("cpsid i" ::: "memory")
#define UNLOCK_INTERRUPTS() __asm__ volatile("cpsie i" ::: "memory")
#endif
#define WAIT_FOR_INTERRUPT() __asm__ volatile("wfi" ::: "memory") /* locked or not */

#endif
