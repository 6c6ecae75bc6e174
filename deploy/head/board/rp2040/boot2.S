/* The second stage: the chip's boot ROM copies these 256 bytes to RAM, checks their CRC and runs them. It sets the flash
   up for plain reads (command 03h, 24-bit address), points the vectors at the image behind it and starts it.
   Register values from the chip's data sheet, from memory; the emulator skips this stage. uf2.py writes the CRC. */
    .syntax unified
    .cpu cortex-m0plus
    .thumb
    .section .boot2, "ax"
    .global boot2_start
boot2_start:
    push {lr}
    ldr  r3, =0x18000000        /* XIP_SSI */
    movs r1, #0
    str  r1, [r3, #0x08]        /* SSIENR: off */
    movs r1, #4
    str  r1, [r3, #0x14]        /* BAUDR: system clock / 4 */
    ldr  r1, =(31 << 16) | (3 << 8)
    str  r1, [r3, #0x00]        /* CTRLR0: 32-bit frames, EEPROM read, one line */
    movs r1, #0
    str  r1, [r3, #0x04]        /* CTRLR1: one frame a read */
    ldr  r1, =(0x03 << 24) | (2 << 8) | (6 << 2)
    ldr  r0, =0x180000f4
    str  r1, [r0]               /* SPI_CTRLR0: read 03h, 8-bit command, 24-bit address */
    movs r1, #1
    str  r1, [r3, #0x08]        /* SSIENR: on */
    pop  {r0}
    ldr  r0, =0x10000100        /* the vectors */
    ldr  r1, =0xe000ed08        /* VTOR */
    str  r0, [r1]
    ldmia r0, {r0, r1}
    msr  msp, r0
    bx   r1
    .pool
