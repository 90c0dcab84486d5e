/* Start of a program on a bare Cortex-M core: vectors, the floating-point unit where there is one, cleared memory. */
#include <stdint.h>
#include <stdlib.h>

extern uint32_t bss_from, bss_to;
void stack_top(void); /* a place, not a function: what the core loads its stack pointer from */
int main(void);
void initialise_monitor_handles(void); /* newlib's output through the debugger */
void reset(void);

static void failed(void)
{
    _Exit(99);
}

__attribute__((section(".vectors"), used)) static void (*const vectors[16])(void) = {
    stack_top, reset, failed, failed, failed, failed, failed, failed,
    failed, failed, failed, failed, failed, failed, failed, failed};

void reset(void)
{
    uint32_t *place;
#if defined(__ARM_FP)
    *(volatile uint32_t *)0xE000ED88 |= 0xFu << 20; /* full access to the floating-point unit */
    __asm volatile("dsb\n isb");
#endif
    for (place = &bss_from; place < &bss_to; place++)
        *place = 0u;
    initialise_monitor_handles();
    exit(main());
}
