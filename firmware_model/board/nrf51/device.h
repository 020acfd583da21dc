/* nRF51822 (Cortex-M0, 16 KiB of RAM), as QEMU's machine microbit emulates it. */
#ifndef DEVICE_H
#define DEVICE_H

#define DEVICE "nRF51"

enum { UART_VECTOR = 16 + 2, TIMER_VECTOR = 16 + 8, VECTORS = 16 + 32, RING_BYTES = 2048 };

#endif
