/* STM32F405 (Cortex-M4), as QEMU's machine netduinoplus2 emulates it. */
#ifndef DEVICE_H
#define DEVICE_H

#define DEVICE "STM32F405"

enum { UART_VECTOR = 16 + 37, TIMER_VECTOR = 15, VECTORS = 16 + 82, RING_BYTES = 8192 };

#endif
