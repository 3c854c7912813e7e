/* The board's watchdog. Not fed for WATCHDOG_MS it calls the NMI, which makes the outputs zero; after another WATCHDOG_MS it resets.
 *
 * A board would take a few ticks for this. The emulated board's clock is that of the PC, which may let it stand for some hundred
 * milliseconds when it is busy with something else; a reset then would be the PC's fault and not the controller's. */
#ifndef WATCHDOG_H
#define WATCHDOG_H

#define WATCHDOG_MS 500u

void watchdog_start(void); /* nothing but a reset ends it */
void watchdog_feed(void);

#endif
