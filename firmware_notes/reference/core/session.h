/* Sequence numbers and repeats. See protocol.md, Numbers, repeats, gaps. */
#ifndef SESSION_H
#define SESSION_H

#include "hw.h"

void session_start(void);
void session_open(uint16_t session);
/* True when the command with this number is to be carried out now, for the first time; whatever
   else there is to say to it has then been said. */
bool session_is_new(uint16_t number);
void session_garbled(void);
void session_answer(uint16_t number); /* begin the answer to a command; kept for repeats */
void session_event(const char *flash_name);
void session_send(void); /* end what was begun, and send it */

#endif
