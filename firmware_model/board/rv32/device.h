/* RV32IMAC, as QEMU's machine virt emulates it: a CLINT, a PLIC and a 16550. */
#ifndef DEVICE_H
#define DEVICE_H

#define DEVICE "RV32"

enum { UART_VECTOR = 10, RING_BYTES = 8192 };

#endif
