/* The build's defaults: what holds until something else is saved by the console. Change them for your head. */
#ifndef CAMDRIFT_CONFIG_H
#define CAMDRIFT_CONFIG_H

#define FIRMWARE_MAJOR 1
#define FIRMWARE_MINOR 0
#define HEAD_NAME "head"
#define HEAD_SERIAL 1
#define INTERVAL_US 2000   /* 500 Hz */
#define BLOCK 50           /* samples in a frame */
#define BURST_S 0          /* 0 = continuous */
#define PERIOD_S 0
#define CRANK_LINES 3600   /* four counts a line */
#define CAM_LINES 3600
#define CRANK_INDEX 1
#define CAM_INDEX 1
#define CRANK_TEETH 0      /* teeth of a wheel with pick-ups in place of the crank's encoder; 0 = encoder */
#define CAM_MARKS 0        /* the same for the camshaft's marks */
#define LOOP_FULL_UA 22000 /* 3.3 V over 150 ohm */
#define UART_BAUD 230400

#endif
