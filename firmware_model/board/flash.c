/* Stands in for the flash, whose programming the emulator does not know: RAM that keeps the rules of flash
 * and survives a reset, but no power cut. A board of one's own programs its flash here. */
#include "board.h"

enum { PAGE = 1024, SLOT = 2 * PAGE, ERASED = -1 };

__attribute__((section(".bss.kept"))) static uint32_t cells[LIFT_STORE_SLOTS * SLOT / LIFT_STORE_WORD];

static bool erase(void *self, uint32_t at) {
    (void)self;
    for (uint32_t i = 0; i < PAGE / LIFT_STORE_WORD; i++) {
        cells[at / LIFT_STORE_WORD + i] = (uint32_t)ERASED;
    }
    return true;
}

/* Like flash, it takes a word only where it was erased. */
static bool write(void *self, uint32_t at, uint32_t word) {
    (void)self;
    if (cells[at / LIFT_STORE_WORD] != (uint32_t)ERASED) {
        return false;
    }
    cells[at / LIFT_STORE_WORD] = word;
    return true;
}

const lift_flash_t board_flash = {NULL, (const uint8_t *)cells, PAGE, SLOT, erase, write};
