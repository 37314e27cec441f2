/* ATmega328P, 16 MHz (boards with the usual numbered pins: D0...D13, A0...A5). */
#define HAMMER_DDR DDRB /* OC1B: PB2, D10 */
#define HAMMER_PORT PORTB
#define HAMMER_BIT PB2
#define GATE_PORT PORTB /* ICP1: PB0, D8 */
#define GATE_BIT PB0
#define MOTION_DDR DDRD /* steps PD2 PD3 PD4 (D2 D3 D4), directions PD5 PD6 PD7 (D5 D6 D7) */
#define MOTION_PORT PORTD
#define STEP_SHIFT 2
#define DIRECTION_SHIFT 5
#define ENABLE_DDR DDRB /* PB1, D9, low: drivers on */
#define ENABLE_PORT PORTB
#define ENABLE_BIT PB1
#define INPUT_PORT PORTC /* limits PC0 PC1 PC2 (A0 A1 A2), halt PC3 (A3), driver fault PC4 (A4) */
#define INPUT_PIN PINC

#define TIMER_A TCCR1A
#define TIMER_B TCCR1B
#define TIMER_MASK TIMSK1
#define TIMER_FLAGS TIFR1
#define TIMER_COUNT TCNT1
#define TIMER_OVERFLOWED TOV1
#define TIMER_CAPTURED ICR1
#define STEP_COMPARE OCR1A
#define STEP_INTERRUPT OCIE1A
#define STEP_VECTOR TIMER1_COMPA_vect
#define HAMMER_COMPARE OCR1B
#define HAMMER_CLEAR _BV(COM1B1)
#define HAMMER_SET (_BV(COM1B1) | _BV(COM1B0))
#define HAMMER_INTERRUPT OCIE1B
#define HAMMER_VECTOR TIMER1_COMPB_vect
#define OVERFLOW_INTERRUPT TOIE1
#define OVERFLOW_VECTOR TIMER1_OVF_vect
#define GATE_INTERRUPT ICIE1
#define GATE_VECTOR TIMER1_CAPT_vect
#define TIMER_SETTING (_BV(ICNC1) | _BV(ICES1) | _BV(CS11)) /* filtered rising edges, clock / 8 */

#define RECEIVE_VECTOR USART_RX_vect
#define SEND_VECTOR USART_UDRE_vect
