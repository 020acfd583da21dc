/* LM3S6965 (Cortex-M3), as QEMU's machine lm3s6965evb emulates it. */
#ifndef DEVICE_H
#define DEVICE_H

#define DEVICE "LM3S6965"

enum { UART_VECTOR = 16 + 5, TIMER_VECTOR = 16 + 19, VECTORS = 16 + 20, RING_BYTES = 8192, BOARD_HZ = 50000000 };

#endif
