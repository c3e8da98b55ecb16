// From power on to main(): the flash is made readable, the program copied to RAM.
#include <stddef.h>
#include <stdint.h>

#include "board.h"

extern uint32_t program_begin[], program_end[], program_kept[], bss_end[], stack_top[];
int main(void);
void alarm_rang(void);
void pins_changed(void);

// The chip's own program copies the first 256 bytes of the flash to RAM, compares their sum and runs
// them. They set the plainest way to read a flash (command 03) and go on behind themselves.
__attribute__((naked, used, section(".boot"))) void boot(void) {
    __asm__ volatile(
        "ldr  r3, =0x18000000  \n\t"  // the reader of the flash
        "movs r1, #0           \n\t"
        "str  r1, [r3, #0x08]  \n\t"  // off
        "movs r1, #4           \n\t"
        "str  r1, [r3, #0x14]  \n\t"  // a quarter of the processor's speed
        "ldr  r1, =0x001F0300  \n\t"
        "str  r1, [r3]         \n\t"  // 32 bits at a time, after command and address
        "ldr  r1, =0x03000218  \n\t"
        "ldr  r0, =0x180000F4  \n\t"
        "str  r1, [r0]         \n\t"  // command 03, eight bits; 24 bits of address
        "movs r1, #0           \n\t"
        "str  r1, [r3, #0x04]  \n\t"
        "movs r1, #1           \n\t"
        "str  r1, [r3, #0x08]  \n\t"  // on
        "ldr  r0, =0x10000101  \n\t"
        "bx   r0               \n\t"
        ".ltorg                \n\t"
        ".space 252 - (. - boot)\n\t"
        ".word 0xEFAAC9B0     \n\t");  // the sum: CRC-32 not reflected, without final XOR
}

__attribute__((used, section(".start.copy"))) static void copy(void) {
    const uint32_t *from = program_kept;
    for (uint32_t *to = program_begin; to < program_end;) *to++ = *from++;
    for (uint32_t *to = program_end; to < bss_end;) *to++ = 0;
    REGISTER(0xE000ED08) = (uint32_t)program_begin;  // the vectors come first
    main();
}

__attribute__((naked, used, section(".start"))) void start(void) {
    __asm__ volatile("ldr r0, =stack_top\n\tmov sp, r0\n\tldr r0, =%0\n\tbx r0\n\t.ltorg" ::"i"(copy));
}

// An interrupt that nobody asked for: the watchdog resets the chip.
static void lost(void) {
    for (;;) {
    }
}

__attribute__((used, aligned(256), section(".vectors"))) static void (*const vectors[48])(void) = {
    [0] = (void (*)(void))stack_top,
    [1 ... 15] = lost,
    [16] = alarm_rang,  // 0 of the chip's own
    [17 ... 28] = lost,
    [29] = pins_changed,  // 13
    [30 ... 47] = lost,
};

// The compiler asks for these two.
void *memcpy(void *to, const void *from, size_t n) {
    for (size_t i = 0; i < n; i++) ((uint8_t *)to)[i] = ((const uint8_t *)from)[i];
    return to;
}

void *memset(void *to, int value, size_t n) {
    for (size_t i = 0; i < n; i++) ((uint8_t *)to)[i] = value;
    return to;
}
