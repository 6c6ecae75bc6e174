/* A thermistor of 10 kOhm at 25 degrees C in series with 10 kOhm: temperature from the share of the supply across it. */
#ifndef CAMDRIFT_NTC_H
#define CAMDRIFT_NTC_H

#include <stdint.h>

#define NTC_OPEN 0x7FFF /* not fitted: open or shorted */

/* `share`: 0 to 4,095 of the supply. Returns 0.1 degree C, or NTC_OPEN. */
int16_t ntc_dc(uint16_t share);

#endif
