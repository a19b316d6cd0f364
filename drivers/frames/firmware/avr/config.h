/* What may be chosen when the bridge is built; `make BAUD=250000 SAFE_INHIBITS=1` and so on. */
#ifndef CONFIG_H
#define CONFIG_H

#ifndef BAUD
#define BAUD 115200 /* made of 16 MHz: 117,647; exact are 250000, 500000, 1000000 */
#endif
#ifndef REFERENCE_MV
#define REFERENCE_MV 5000 /* at AVCC, the converter's reference: measure yours */
#endif
#ifndef SAFE_INHIBITS
#define SAFE_INHIBITS 0 /* 1: the output inhibits unless the host permits */
#endif
#ifndef INHIBIT_HIGH
#define INHIBIT_HIGH 1 /* 0: the output inhibits when it is low */
#endif

#define FORWARD_INPUT 0   /* ADC0, A0 */
#define REFLECTED_INPUT 1 /* ADC1, A1 */
#define INHIBIT_BIT 0     /* PB0, D8 */
#define PTT_BIT 2         /* PD2, D2, pressed when low */

#define START_PERIOD_US 1000
#define START_BLOCK 16
#define START_OVERSAMPLING 4
#define NAME "avr bridge 1"

#endif
