/* A virtual board, yard and server, to try firmware in C on a PC.
 *
 * Made from agent-protocol/c/src; do not edit. Only in a library that was built with the feature sim. */

#ifndef PINTLE_VIRTUAL_H
#define PINTLE_VIRTUAL_H

#include "pintle.h"

// What the virtual server can offer.
enum PintleVirtualOffer
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : uint8_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
  // A bundle.
  PINTLE_VIRTUAL_OFFER_BUNDLE = 0,
  // A newer image for the net chip.
  PINTLE_VIRTUAL_OFFER_NET_IMAGE = 1,
  // A newer image for the io chip.
  PINTLE_VIRTUAL_OFFER_IO_IMAGE = 2,
  // A newer image for the net chip, signed by a key that the node does not know.
  PINTLE_VIRTUAL_OFFER_WRONG_SIGNATURE = 3,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum PintleVirtualOffer PintleVirtualOffer;
#else
typedef uint8_t PintleVirtualOffer;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

// A virtual board at a door, with a yard and a server beside it. Only the hardware is virtual.
typedef struct PintleVirtual PintleVirtual;

// What the virtual server has heard.
typedef struct PintleVirtualHeard {
  // 1 once a claim has come that proves the claim code.
  uint8_t claimed;
  // 1 once a check-in has come.
  uint8_t checked_in;
  // How the last offer ended: a PintleEnding; 0 while it has not.
  uint8_t ending;
  // Why it was refused or went back, see pintle_reason_text.
  uint16_t reason;
  // What the last check-in said waits for, one bit each.
  uint32_t holds;
  // Where it said that the door is: a PintlePosition.
  uint8_t position;
  // The versions it said it runs: net, then io.
  uint16_t versions[2][3];
  // Pulses that the relay has given, as it said.
  uint32_t relay_pulses;
  // Counter of the last check-in.
  uint64_t counter;
} PintleVirtualHeard;

// What the virtual door's sensors see.
typedef struct PintleVirtualDoor {
  // Distance from the range finder to the panel, in millimetres.
  uint16_t distance_mm;
  // Carbon monoxide, in ppm.
  uint16_t co_ppm;
  // Supply voltage, in millivolts.
  uint16_t supply_mv;
  // 1 if it moves.
  uint8_t moving;
  // 1 if somebody is at the button.
  uint8_t button;
  // 1 if an unattended close is pending.
  uint8_t close_pending;
  // 1 while the warning before one sounds.
  uint8_t warning;
  // At rest for this many seconds.
  uint32_t rest_seconds;
} PintleVirtualDoor;

#ifdef __cplusplus
extern "C" {
#endif // __cplusplus

// Makes a virtual board fresh from the bench: first images in its slots, a starter card, an erased
// boot record, a closed door. To be given to pintle_virtual_free.
struct PintleVirtual *pintle_virtual_new(void);

// Frees a virtual board; null is allowed.
//
// What the caller promises:
// it comes from pintle_virtual_new, and is not used any more.
void pintle_virtual_free(struct PintleVirtual *it);

// Where things lie in its flash.
//
// What the caller promises:
// it comes from pintle_virtual_new; layout can be written.
PintleCode pintle_virtual_layout(struct PintleVirtual *it, PintleLayout *layout);

// Reads its flash, as the callback flash_read has to.
//
// What the caller promises:
// it comes from pintle_virtual_new; into has room for len bytes.
int32_t pintle_virtual_flash_read(struct PintleVirtual *it, uint32_t address, uint8_t *into, size_t len);

// Programs its flash, as the callback flash_program has to.
//
// What the caller promises:
// it comes from pintle_virtual_new; bytes is good for len bytes.
int32_t pintle_virtual_flash_program(struct PintleVirtual *it,
                                     uint32_t address,
                                     const uint8_t *bytes,
                                     size_t len);

// Erases a sector of its flash, as the callback flash_erase has to.
//
// What the caller promises:
// it comes from pintle_virtual_new.
int32_t pintle_virtual_flash_erase(struct PintleVirtual *it, uint32_t address);

// Repeatable bytes, the same in every run: fit for trying out, never for keys.
//
// What the caller promises:
// it comes from pintle_virtual_new; into has room for len bytes.
PintleCode pintle_virtual_random(struct PintleVirtual *it, uint8_t *into, size_t len);

// One exchange with its virtual io chip, as the callback exchange has to.
//
// What the caller promises:
// it comes from pintle_virtual_new; frame is good for len bytes; answer has room for
// PINTLE_FRAME_MAX.
int32_t pintle_virtual_exchange(struct PintleVirtual *it, const uint8_t *frame, size_t len, uint8_t *answer);

// Its starter card, as the callback card has to.
//
// What the caller promises:
// it comes from pintle_virtual_new; bytes and len can be written.
int32_t pintle_virtual_card(struct PintleVirtual *it, const uint8_t **bytes, size_t *len);

// Begins to join a network, as the callback join has to.
//
// What the caller promises:
// it comes from pintle_virtual_new; the texts are good for their lengths.
PintleCode pintle_virtual_join(struct PintleVirtual *it,
                               const uint8_t *ssid,
                               size_t ssid_len,
                               const char *passphrase,
                               size_t passphrase_len);

// Begins a request, as the callback request has to. Method, path and range are read as a server
// would read them.
//
// What the caller promises:
// it comes from pintle_virtual_new; request is the one that the callback was given.
PintleCode pintle_virtual_request(struct PintleVirtual *it, const PintleRequest *request);

// Begins to look for servers, as the callback search has to.
//
// What the caller promises:
// it comes from pintle_virtual_new.
PintleCode pintle_virtual_search(struct PintleVirtual *it);

// The server moves: it answers at this address alone, and is heard there when the local link is
// searched.
//
// What the caller promises:
// it comes from pintle_virtual_new; base is ended by a zero.
PintleCode pintle_virtual_move_server(struct PintleVirtual *it, const char *base);

// The net chip has started again: nothing is joined, nothing is under way.
//
// What the caller promises:
// it comes from pintle_virtual_new.
PintleCode pintle_virtual_reset(struct PintleVirtual *it);

// Time goes on by one second; event gets what the radio reports. Its body is good until the next
// call.
//
// What the caller promises:
// it comes from pintle_virtual_new; event can be written.
PintleCode pintle_virtual_second(struct PintleVirtual *it, PintleEvent *event);

// The virtual server offers something, with the next sequence number.
//
// what: a PintleVirtualOffer. PINTLE_CODE_ANCHORS: a bundle before the node has claimed.
//
// What the caller promises:
// it comes from pintle_virtual_new.
PintleCode pintle_virtual_offer(struct PintleVirtual *it, uint8_t what);

// What the virtual server has heard.
//
// What the caller promises:
// it comes from pintle_virtual_new; heard can be written.
PintleCode pintle_virtual_heard(struct PintleVirtual *it, struct PintleVirtualHeard *heard);

// What the virtual door's sensors see.
//
// What the caller promises:
// it comes from pintle_virtual_new; door can be written.
PintleCode pintle_virtual_door(struct PintleVirtual *it, struct PintleVirtualDoor *door);

// Somebody uses the operator's own wall button: the virtual door goes to its other end.
//
// What the caller promises:
// it comes from pintle_virtual_new.
PintleCode pintle_virtual_use_door(struct PintleVirtual *it);

// The image that the io chip was made with. Good as long as it is.
//
// What the caller promises:
// it comes from pintle_virtual_new; bytes and len can be written.
PintleCode pintle_virtual_io_image(struct PintleVirtual *it, const uint8_t **bytes, size_t *len);

#ifdef __cplusplus
}  // extern "C"
#endif  // __cplusplus

#endif  /* PINTLE_VIRTUAL_H */
