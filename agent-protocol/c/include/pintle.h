/* The Pintle node core for firmware in C.
 *
 * Made from agent-protocol/c/src; do not edit. docs/porting.md says how to build the library.
 *
 * This interface never moves a door: it has no function that does. It tells when an update may be
 * applied, and keeps everything else to wait. The relay, its interlocks and the entrapment protection
 * stay with the firmware and the operator that it drives; a listed CO alarm stays a listed CO alarm.
 *
 * One thread at a time may use a node or a loader. No function may be called from an interrupt while
 * another one works on the same. */

#ifndef PINTLE_H
#define PINTLE_H

#include <stddef.h>
#include <stdint.h>

// Raised when this interface changes so that firmware has to be built again.
#define PINTLE_ABI 3

// Bytes that are enough for a node on every target; pintle_node_size() tells the exact number.
#define PINTLE_NODE_SIZE 16384

// Alignment that is enough for a node on every target, in bytes.
#define PINTLE_NODE_ALIGN 16

// Longest frame on the link, in bytes.
#define PINTLE_FRAME_MAX 32

// Longest payload of a frame, in bytes.
#define PINTLE_PAYLOAD_MAX 27

// Most image bytes in one question on the link.
#define PINTLE_DATA_MAX 20

// Settings of a bundle that the io chip goes by.
#define PINTLE_SETTINGS 26

// Most bytes of a starter card.
#define PINTLE_CARD_MAX 2560

// Most bytes of an answer that a node can use.
#define PINTLE_BODY_MAX 4096

// Bytes of an image note.
#define PINTLE_NOTE_LEN 64

// Bytes that are enough for a capability report.
#define PINTLE_CAPABILITIES_MAX 128

// Bytes of a flash sector.
#define PINTLE_SECTOR 4096

// What a function returns. 0 and above: it did what it was asked; below 0: it did not, and has
// changed nothing that it was given, except where its own text says otherwise.
enum PintleCode
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : int32_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
  // Done.
  PINTLE_CODE_OK = 0,
  // The interlock says: wait. The holds say why.
  PINTLE_CODE_HOLD = 1,
  // The node has to be started again: end it, then reset the chip, or call pintle_node_init.
  PINTLE_CODE_RESTART = 2,
  // Send the answer, then start the application.
  PINTLE_CODE_START = 3,
  // The frame asks nothing of the loader.
  PINTLE_CODE_NOT_FOR_LOADER = 4,
  // A pointer is null.
  PINTLE_CODE_NULL = -1,
  // A number or text is outside its range.
  PINTLE_CODE_RANGE = -2,
  // Too many bytes, or too few.
  PINTLE_CODE_LENGTH = -3,
  // A pointer is not aligned.
  PINTLE_CODE_ALIGN = -4,
  // The memory is too small for a node.
  PINTLE_CODE_MEMORY = -5,
  // The structure's size member is not that of this version: header and library differ.
  PINTLE_CODE_VERSION = -6,
  // A callback is missing; the detail is its place in the structure, counted from 0.
  PINTLE_CODE_CALLBACK = -7,
  // The layout of flash cannot be used; the detail is the address or size that is wrong.
  PINTLE_CODE_LAYOUT = -8,
  // Not a running node or loader: not initialised, or ended.
  PINTLE_CODE_ENDED = -9,
  // A callback has called back into the node that called it.
  PINTLE_CODE_BUSY = -10,
  // Time went backwards.
  PINTLE_CODE_CLOCK = -11,
  // No random bytes came, or all the same ones. Nothing was written with them. Start again.
  PINTLE_CODE_RANDOM = -12,
  // Flash failed; the detail is the address, if it is known. Start again.
  PINTLE_CODE_FLASH = -13,
  // The boot record could not be kept.
  PINTLE_CODE_STORE = -14,
  // A new board without a starter card.
  PINTLE_CODE_NO_CARD = -15,
  // The starter card is not what it should be; the detail is the byte.
  PINTLE_CODE_BAD_CARD = -16,
  // No whole image; the detail is 1 for the net chip, 2 for the io chip.
  PINTLE_CODE_BAD_IMAGE = -17,
  // Power was lost (virtual boards only).
  PINTLE_CODE_POWER = -18,
  // The bytes are no frame.
  PINTLE_CODE_FRAME = -19,
  // A whole frame, but no message that is known.
  PINTLE_CODE_MESSAGE = -20,
  // The envelope is refused; the refusal says why.
  PINTLE_CODE_REFUSED = -21,
  // The trust anchors cannot be used.
  PINTLE_CODE_ANCHORS = -22,
  // Flash holds no boot record: the board is new.
  PINTLE_CODE_NO_RECORD = -23,
  // No image note, more than one, or a damaged one.
  PINTLE_CODE_NOTE = -24,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum PintleCode PintleCode;
#else
typedef int32_t PintleCode;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

// Which of two slots.
enum PintleSlot
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : uint8_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
  // The first.
  PINTLE_SLOT_A = 0,
  // The second.
  PINTLE_SLOT_B = 1,
  // Not known.
  PINTLE_SLOT_UNKNOWN = 255,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum PintleSlot PintleSlot;
#else
typedef uint8_t PintleSlot;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

// What a flash callback returns when it did not do what it was asked. Any other number but 0
// counts as PINTLE_FLASH_FAULT_CHIP.
enum PintleFlashFault
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : int32_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
  // Outside the flash, or not aligned.
  PINTLE_FLASH_FAULT_RANGE = 1,
  // What was written does not read back.
  PINTLE_FLASH_FAULT_WORN = 2,
  // The chip reports an error of its own.
  PINTLE_FLASH_FAULT_CHIP = 3,
  // Power was lost (virtual boards only: a real one is gone).
  PINTLE_FLASH_FAULT_POWER = 4,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum PintleFlashFault PintleFlashFault;
#else
typedef int32_t PintleFlashFault;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

// Kinds of event.
enum PintleEventKind
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : uint8_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
  // Nothing.
  PINTLE_EVENT_KIND_NOTHING = 0,
  // The network is joined: rssi_dbm.
  PINTLE_EVENT_KIND_JOINED = 1,
  // The network was not joined: join_fault.
  PINTLE_EVENT_KIND_JOIN_FAILED = 2,
  // The network is gone.
  PINTLE_EVENT_KIND_LOST = 3,
  // The server answered: status, body, body_len.
  PINTLE_EVENT_KIND_RESPONSE = 4,
  // The server did not answer, or is not the one whose certificate is pinned.
  PINTLE_EVENT_KIND_NO_RESPONSE = 5,
  // A server was heard on the local link: base, base_len, key. Nothing it says is believed for that.
  PINTLE_EVENT_KIND_FOUND = 6,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum PintleEventKind PintleEventKind;
#else
typedef uint8_t PintleEventKind;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

// Why a network was not joined.
enum PintleJoinFault
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : uint8_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
  // Not on the air.
  PINTLE_JOIN_FAULT_NOT_FOUND = 0,
  // The passphrase was refused.
  PINTLE_JOIN_FAULT_WRONG_PASSPHRASE = 1,
  // No address was given.
  PINTLE_JOIN_FAULT_NO_ADDRESS = 2,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum PintleJoinFault PintleJoinFault;
#else
typedef uint8_t PintleJoinFault;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

// What a node is doing.
enum PintlePhase
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : uint8_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
  // Nothing under way.
  PINTLE_PHASE_IDLE = 0,
  // Reading an envelope or its payload.
  PINTLE_PHASE_FETCHING = 1,
  // Ready to apply, waiting for the door.
  PINTLE_PHASE_WAITING = 2,
  // Something new is on trial. If it touches the door, the node has told the io chip to keep its relay off.
  PINTLE_PHASE_TRIAL = 3,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum PintlePhase PintlePhase;
#else
typedef uint8_t PintlePhase;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

// How the last update ended.
enum PintleEnding
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : uint8_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
  // There was none.
  PINTLE_ENDING_NONE = 0,
  // It proved itself and is kept.
  PINTLE_ENDING_KEPT = 1,
  // It did not; the node runs what it ran before.
  PINTLE_ENDING_WENT_BACK = 2,
  // It was not applied at all.
  PINTLE_ENDING_REFUSED = 3,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum PintleEnding PintleEnding;
#else
typedef uint8_t PintleEnding;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

// Where the door is.
enum PintlePosition
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : uint8_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
  // Not known.
  PINTLE_POSITION_UNKNOWN = 0,
  // Open.
  PINTLE_POSITION_OPEN = 1,
  // Partly open.
  PINTLE_POSITION_PARTLY_OPEN = 2,
  // Closed.
  PINTLE_POSITION_CLOSED = 3,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum PintlePosition PintlePosition;
#else
typedef uint8_t PintlePosition;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

// A fact. Zero is "not known", so that a structure of zeros is a hold.
enum PintleFact
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : uint8_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
  // Not known.
  PINTLE_FACT_UNKNOWN = 0,
  // No.
  PINTLE_FACT_NO = 1,
  // Yes.
  PINTLE_FACT_YES = 2,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum PintleFact PintleFact;
#else
typedef uint8_t PintleFact;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

// What the net chip asks. There is no question that moves the door.
enum PintleAskKind
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : uint8_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
  // Who are you? link_oldest, link_newest, profile_id, profile_version: the net chip's.
  PINTLE_ASK_KIND_HELLO = 1,
  // How is the door?
  PINTLE_ASK_KIND_STATUS = 2,
  // Keep the relay off (on is 1), or stop doing so (on is 0).
  PINTLE_ASK_KIND_INHIBIT = 3,
  // Leave the application for the loader.
  PINTLE_ASK_KIND_ENTER_LOADER = 4,
  // An image of value bytes comes.
  PINTLE_ASK_KIND_BEGIN = 5,
  // Half of the image's digest: on (0 or 1), bytes.
  PINTLE_ASK_KIND_DIGEST = 6,
  // Image bytes: value (their offset), bytes.
  PINTLE_ASK_KIND_DATA = 7,
  // Check the digest.
  PINTLE_ASK_KIND_FINISH = 8,
  // Start the application.
  PINTLE_ASK_KIND_START = 9,
  // One setting of the bundle in force: key, value. They count only when the last one has come.
  PINTLE_ASK_KIND_SETTING = 10,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum PintleAskKind PintleAskKind;
#else
typedef uint8_t PintleAskKind;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

// What the io chip runs.
enum PintleMode
#if defined(__cplusplus) || __STDC_VERSION__ >= 202311L
  : uint8_t
#endif // defined(__cplusplus) || __STDC_VERSION__ >= 202311L
 {
  // Its loader; the relay is off.
  PINTLE_MODE_LOADER = 0,
  // Its application.
  PINTLE_MODE_APPLICATION = 1,
};
#ifndef __cplusplus
#if __STDC_VERSION__ >= 202311L
typedef enum PintleMode PintleMode;
#else
typedef uint8_t PintleMode;
#endif // __STDC_VERSION__ >= 202311L
#endif // __cplusplus

// A node. Its memory is the firmware's; what is in it is not for looking at.
typedef struct PintleNode PintleNode;

// Where things lie in flash. Addresses are multiples of 4096, counted from the start of the part of
// flash that the node may use; nothing may lie on top of anything else.
typedef struct PintleLayout {
  // The boot record, two sectors.
  uint32_t record[2];
  // The node's own keys, one sector.
  uint32_t secrets;
  // The starter card's contents, one sector.
  uint32_t card;
  // The bundle, two copies of one sector each.
  uint32_t conf[2];
  // The trust anchors, two copies of one sector each.
  uint32_t keys[2];
  // The net chip's slots.
  uint32_t net[2];
  // Bytes in each of the net chip's slots, a multiple of 4096.
  uint32_t net_room;
  // The io chip's images, as the net chip stores them.
  uint32_t io[2];
  // Bytes in each of the io chip's slots, a multiple of 4096.
  uint32_t io_room;
  // Sizes of the images that the board was made with, in slot A: net, io.
  uint32_t factory[2];
} PintleLayout;

// A request to the server, in HTTP/1.1. All pointers are good until the callback returns.
typedef struct PintleRequest {
  // "GET" or "POST", ended by a zero.
  const char *method;
  // The server's base address, such as "https://192.0.2.7:8443", ended by a zero.
  const char *base;
  // What to put behind it, such as "/node/check-in", ended by a zero.
  const char *path;
  // What to send, with the content type application/cbor; null for GET.
  const uint8_t *body;
  // Its bytes; 0 for GET.
  size_t body_len;
  // First byte wanted: with range_len, for the header `Range: bytes=<first>-<last>`.
  uint32_t range_first;
  // Bytes wanted; 0: all, no Range.
  uint32_t range_len;
} PintleRequest;

// What a board has to bring. Every callback gets the context as its first argument, and is called
// only from within a function that was given this table or its node. None may call back into
// that node, jump out (longjmp) or throw. Pointers that a callback is given are good until it
// returns.
typedef struct PintleBoard {
  // sizeof(PintleBoard).
  uint32_t size;
  // Which slot the running image of the net chip was started from: a PintleSlot.
  // PINTLE_SLOT_UNKNOWN only where nothing is really started from a slot, as in a rehearsal.
  uint8_t net_slot;
  // 1 if the boot loader counts the starts of a net image on trial, by pintle_boot_count; 0 if it asks
  // pintle_boot_slot, and an image that dies before pintle_node_init is never left.
  uint8_t loader_counts;
  // Where things lie in flash.
  struct PintleLayout layout;
  // Handed to every callback; may be null.
  void *context;
  // Reads flash. 0, or a PintleFlashFault.
  int32_t (*flash_read)(void *context, uint32_t address, uint8_t *into, size_t len);
  // Programs a multiple of 4 bytes at a multiple of 4, onto erased flash; returns when they are
  // in flash. 0, or a PintleFlashFault.
  int32_t (*flash_program)(void *context, uint32_t address, const uint8_t *bytes, size_t len);
  // Erases the sector of 4096 bytes at address. 0, or a PintleFlashFault.
  int32_t (*flash_erase)(void *context, uint32_t address);
  // Fills into with random bytes fit for keys: from a hardware generator that was let settle, with
  // the radio on where the chip's manual asks for it. 0; anything else if there are none.
  int32_t (*random)(void *context, uint8_t *into, size_t len);
  // Sends a frame to the io chip and reads its answer into answer, which has room for
  // PINTLE_FRAME_MAX bytes. 1 if an answer came, 0 if none. Whether it is whole the node finds out.
  int32_t (*exchange)(void *context, const uint8_t *frame, size_t len, uint8_t *answer);
  // 1 if the node's own button was pressed since the last call, else 0.
  int32_t (*pressed)(void *context);
  // The starter card's bytes: 1 and where they are, or 0 for no card. They must stay as they are
  // until the next callback, or until pintle_node_init has returned.
  int32_t (*card)(void *context, const uint8_t **bytes, size_t *len);
  // Begins to join a network; PINTLE_EVENT_KIND_JOINED or _JOIN_FAILED comes later. The passphrase
  // is a secret: keep no copy longer than the radio needs it, and do not log it. It is ended by
  // a zero that passphrase_len does not count.
  void (*join)(void *context,
               const uint8_t *ssid,
               size_t ssid_len,
               const char *passphrase,
               size_t passphrase_len);
  // Begins a request to the server; PINTLE_EVENT_KIND_RESPONSE or _NO_RESPONSE comes later. There
  // is never more than one that counts: a new one takes the place of one without an answer.
  void (*request)(void *context, const struct PintleRequest *request);
  // The node wants to be started again. May reset the chip at once, or return: then
  // pintle_node_poll or pintle_node_init returns PINTLE_CODE_RESTART.
  void (*restart)(void *context);
  // Begins to look for servers on the local link: a DNS-SD query for _pintle._tcp.local. Every one heard
  // comes as PINTLE_EVENT_KIND_FOUND, whenever that is. May be null: then the node finds the server at
  // its listed addresses only.
  void (*search)(void *context);
  // Resets the io chip by its reset line. Asked for only when that chip has to be brought an image and is
  // silent. May be null where there is no such line: then the io chip's watchdog has to do it.
  void (*reset_io)(void *context);
} PintleBoard;

// Something that the radio reports.
typedef struct PintleEvent {
  // A PintleEventKind; only the members that stand with it are looked at.
  uint8_t kind;
  // A PintleJoinFault.
  uint8_t join_fault;
  // Signal, in dBm.
  int8_t rssi_dbm;
  // HTTP status, 100 to 599.
  uint16_t status;
  // The answer's body; null for none. Of one longer than PINTLE_BODY_MAX, hand over the first
  // PINTLE_BODY_MAX + 1 bytes: the node will refuse it.
  const uint8_t *body;
  // Its bytes.
  size_t body_len;
  // Base address of a server that was heard: "https://" ("http://" if TXT tls is 0), the SRV record's
  // target without the last dot, ":" and its port.
  const char *base;
  // Its characters, at most 64; a zero behind them is not needed.
  size_t base_len;
  // The 32 bytes that TXT key has in hex.
  uint8_t key[32];
} PintleEvent;

// What a node is doing, and what it runs.
typedef struct PintleStatus {
  // A PintlePhase.
  uint8_t phase;
  // The network in use, an index into the bundle's list; 255 for none.
  uint8_t network;
  // 1 while an image is being brought to the io chip.
  uint8_t programs_io;
  // 1 if a bundle is in force.
  uint8_t has_bundle;
  // The net chip's slot in force: a PintleSlot.
  uint8_t net_slot;
  // The io chip's slot in force: a PintleSlot.
  uint8_t io_slot;
  // How the last update ended: a PintleEnding.
  uint8_t ending;
  // Why it was refused or went back, see pintle_reason_text; 0 if it was kept.
  uint16_t reason;
  // More about the reason.
  uint32_t detail;
  // Manifest digest of the last update that ended.
  uint8_t envelope[32];
  // What the waiting change waits for, one bit each, see pintle_hold_text; 0 for nothing.
  uint32_t holds;
  // Starts so far.
  uint32_t starts;
  // Version of the net chip's image in force: major, minor, patch.
  uint16_t net_version[3];
  // Version of the io chip's image in force.
  uint16_t io_version[3];
  // Highest sequence number kept: root, image, bundle.
  uint64_t sequences[3];
} PintleStatus;

// An image of the net chip to start.
typedef struct PintleBootSlot {
  // A PintleSlot.
  uint8_t slot;
  // 1 if what is in it is on trial: start the watchdog before it.
  uint8_t on_trial;
  // Where it begins in flash.
  uint32_t address;
  // Its bytes.
  uint32_t size;
  // Its version: major, minor, patch.
  uint16_t version[3];
  // Its SHA-256, just measured.
  uint8_t digest[32];
} PintleBootSlot;

// Who the node is that an envelope is held against.
typedef struct PintleDevice {
  // Vendor identifier of the yard.
  uint8_t vendor[16];
  // The node's device identifier.
  uint8_t node[16];
  // Class of the net chip's images.
  uint8_t net_class[16];
  // Class of the io chip's images.
  uint8_t io_class[16];
} PintleDevice;

// What a verified envelope brings.
typedef struct PintleEnvelope {
  // What it changes: 0 the net chip's image, 1 the io chip's, 2 the bundle, 3 the trust anchors.
  uint8_t component;
  // 1 if the payload has to be fetched (images), 0 if it lies in the envelope.
  uint8_t fetched;
  // Its sequence number.
  uint64_t sequence;
  // The manifest digest: what the envelope is known by.
  uint8_t manifest[32];
  // SHA-256 that the payload must have.
  uint8_t payload[32];
  // Bytes that the payload must have.
  uint32_t payload_size;
  // Version of an image: major, minor, patch; all 0 if it does not say.
  uint16_t version[3];
  // Oldest and newest link version of an image; 0 and 0 if it does not say.
  uint8_t link[2];
  // Version of an image's actuation profile.
  uint8_t profile_version;
  // Its actuation profile; 0 if it does not say.
  uint16_t profile_id;
} PintleEnvelope;

// Why an envelope is refused.
typedef struct PintleRefusal {
  // The reason, as in check-ins; see pintle_reason_text.
  uint16_t reason;
  // More about it: a byte offset, a size, a code or an index.
  uint32_t detail;
} PintleRefusal;

// What the door and the board say right now. Facts are PintleFact; any other number is "not known".
typedef struct PintleDoorFacts {
  // A fact: the io chip answers and its answer is fresh. Only a clear yes counts.
  uint8_t io_answers;
  // A PintlePosition; any other number is "not known".
  uint8_t position;
  // A fact: it moves.
  uint8_t moving;
  // A fact: a relay pulse is in progress.
  uint8_t relay_pulse;
  // A fact: an unattended close is pending.
  uint8_t close_pending;
  // A fact: the warning before one sounds.
  uint8_t warning;
  // A fact: somebody is at the button.
  uint8_t button;
  // A fact: the gas alarm sounds; no where no sensor is fitted.
  uint8_t gas_alarm;
  // A fact: somebody pressed the node's own button for this change. Only a clear yes counts.
  uint8_t consent;
  // At rest for this many seconds; 0 if not known.
  uint32_t rest_seconds;
  // Supply voltage in millivolts; 0 if not known.
  uint16_t supply_mv;
} PintleDoorFacts;

// When an update may be applied.
typedef struct PintlePolicy {
  // The door must have been at rest for this long, in seconds.
  uint16_t rest_seconds;
  // Lowest supply voltage, in millivolts, above 0.
  uint16_t supply_min_mv;
  // Highest supply voltage, in millivolts.
  uint16_t supply_max_mv;
  // A fact: a press on the node's own button is needed. Only a clear no leaves it out.
  uint8_t consent;
} PintlePolicy;

// Whether the two chips agree, now and after the change. Facts; only a clear yes counts.
typedef struct PintlePairFacts {
  // They share a link version now.
  uint8_t link_now;
  // They mean the same by moving the door now.
  uint8_t profile_now;
  // They will share a link version.
  uint8_t link_after;
  // They will mean the same by moving the door.
  uint8_t profile_after;
} PintlePairFacts;

// A frame taken apart.
typedef struct PintleFrame {
  // Kind of message: 1 to 127 for questions, 129 to 255 for answers.
  uint8_t kind;
  // Sequence number; an answer repeats that of its question.
  uint8_t sequence;
  // Bytes of the payload.
  uint8_t len;
  // The payload.
  uint8_t payload[PINTLE_PAYLOAD_MAX];
} PintleFrame;

// A question of the net chip, taken apart. Members that do not belong to its kind are 0.
typedef struct PintleAsk {
  // A PintleAskKind.
  uint8_t kind;
  // Sequence number, to be repeated in the answer.
  uint8_t sequence;
  // Oldest link version that the net chip speaks.
  uint8_t link_oldest;
  // Newest link version that it speaks.
  uint8_t link_newest;
  // Its actuation profile.
  uint16_t profile_id;
  // Version of that.
  uint8_t profile_version;
  // 1 or 0.
  uint8_t on;
  // Key of a setting, 0 to PINTLE_SETTINGS - 1.
  uint8_t key;
  // Bytes in bytes.
  uint8_t len;
  // Size, offset, or a setting's value.
  uint32_t value;
  // Half a digest, or image bytes.
  uint8_t bytes[PINTLE_DATA_MAX];
} PintleAsk;

// Who the io chip is.
typedef struct PintleHello {
  // A PintleMode.
  uint8_t mode;
  // Oldest link version that its application speaks.
  uint8_t link_oldest;
  // Newest link version, not below the oldest.
  uint8_t link_newest;
  // Version of its actuation profile.
  uint8_t profile_version;
  // Its actuation profile.
  uint16_t profile_id;
  // Its version: major, minor, patch.
  uint16_t version[3];
  // First eight bytes of its SHA-256 as the loader measured it; all 0 while there is no whole image.
  uint8_t digest[8];
} PintleHello;

// What the io chip sees of the door. For each yes or no: 0 is no, anything else is yes. What is not
// known must be said so that an update waits: position 0, moving 1, plausible 0.
typedef struct PintleDoorStatus {
  // A PintlePosition.
  uint8_t position;
  // It moves.
  uint8_t moving;
  // A relay pulse is in progress.
  uint8_t relay_pulse;
  // An unattended close is pending.
  uint8_t close_pending;
  // The warning before one sounds.
  uint8_t warning;
  // Somebody is at the button.
  uint8_t button;
  // The gas alarm sounds.
  uint8_t gas_alarm;
  // All fitted sensors give plausible readings.
  uint8_t plausible;
  // The relay is inhibited.
  uint8_t inhibited;
  // At rest for this many seconds; stays at 65535.
  uint16_t rest_seconds;
  // Supply voltage, in millivolts.
  uint16_t supply_mv;
  // pintle_settings_sum of the settings in force; 0 before the first.
  uint16_t settings;
  // Pulses that the relay has given since the board was made.
  uint32_t relay_pulses;
} PintleDoorStatus;

// The io chip's application flash. Every callback gets the context as its first argument; those
// that return a number return 0, or anything else if it did not work.
typedef struct PintleLoaderStore {
  // sizeof(PintleLoaderStore).
  uint32_t size;
  // Room for an image, in bytes.
  uint32_t room;
  // Handed to every callback; may be null.
  void *context;
  // Erases what size bytes from the image's start need.
  int32_t (*erase)(void *context, uint32_t size);
  // Programs bytes at an offset in the image. Offsets come in order and are multiples of 4; only the
  // last piece may have a length that is none.
  int32_t (*program)(void *context, uint32_t offset, const uint8_t *bytes, size_t len);
  // Reads back from an offset in the image.
  int32_t (*read)(void *context, uint32_t offset, uint8_t *into, size_t len);
  // Marks the image whole, with its size and its SHA-256 of 32 bytes; or not whole: size 0, digest
  // null. The chip starts an application only if it is marked whole and measures so.
  int32_t (*mark)(void *context, uint32_t size, const uint8_t *digest);
} PintleLoaderStore;

// A loader's state: begins with pintle_loader_init, not for looking at.
typedef struct PintleLoader {
  // Not for looking at.
  uint64_t state[8];
} PintleLoader;

// What an image says about itself.
typedef struct PintleNote {
  // The chip it runs on: 1 net, 2 io.
  uint8_t chip;
  // Oldest link version that it speaks.
  uint8_t link_oldest;
  // Newest link version, not below the oldest.
  uint8_t link_newest;
  // Version of its actuation profile.
  uint8_t profile_version;
  // Its actuation profile.
  uint16_t profile_id;
  // Its version: major, minor, patch.
  uint16_t version[3];
  // The class of board it is built for (UUID).
  uint8_t class_id[16];
} PintleNote;

#ifdef __cplusplus
extern "C" {
#endif // __cplusplus

// PINTLE_ABI of the library: compare it with the header's before anything else.
uint32_t pintle_abi(void);

// The library's version, such as "0.1.0", ended by a zero.
const char *pintle_version(void);

// Writes the sentence for a reason that an update was refused or went back for, such as "no known
// key has signed it", ended by a zero. 128 bytes are enough. PINTLE_CODE_RANGE: no such reason.
//
// What the caller promises:
// to can take room bytes.
PintleCode pintle_reason_text(uint16_t reason, char *to, size_t room);

// Writes the sentence for the most telling of these holds, such as "the door moves", ended by a zero,
// and which bit it is for, so that a caller can clear it and ask again. 128 bytes are enough.
// PINTLE_CODE_RANGE: no known hold.
//
// What the caller promises:
// bit is null or can be written; to can take room bytes.
PintleCode pintle_hold_text(uint32_t holds, uint32_t *bit, char *to, size_t room);

// Bytes that a node needs here: not more than PINTLE_NODE_SIZE.
size_t pintle_node_size(void);

// Alignment that a node needs here, in bytes: not more than PINTLE_NODE_ALIGN.
size_t pintle_node_align(void);

// Starts a node from what is in its flash, or on a new board from its starter card. Call once
// after every start of the chip; it counts the start. Needs 16 KiB of stack, and what the callbacks need, if the
// library is built for size; without optimisation far more.
//
// The table is copied. The memory belongs to the node until pintle_node_end; there must be no node
// in it yet. On anything but PINTLE_CODE_OK there is none, and *node is null.
//
// memory: memory_len bytes, aligned to pintle_node_align().
// node: gets the node.
// detail: gets more about an error, see PintleCode; may be null.
//
// PINTLE_CODE_RESTART: the boot record names another slot than the one that runs (what was on
// trial has used up its starts, or is not whole). Reset the chip.
//
// What the caller promises:
// The pointers are null or good for what is said above.
PintleCode pintle_node_init(void *memory,
                            size_t memory_len,
                            const struct PintleBoard *board,
                            struct PintleNode **node,
                            uint32_t *detail);

// One turn of a node: it looks at the door, takes the event, and does what is to be done, through
// the callbacks. Call at least once a second. Needs the same stack as pintle_node_init.
//
// now_ms: milliseconds since the start of the chip; never less than in the call before. A counter of 32 bits
// wraps after 49.7 days: widen it before that, or every call from then on is PINTLE_CODE_CLOCK.
// event: what the radio reports; null for nothing.
//
// PINTLE_CODE_RESTART, and from the callbacks PINTLE_CODE_RANDOM, _FLASH and _POWER: the node has to
// be started again; until then every call returns the same. Other codes below 0: nothing was done.
//
// What the caller promises:
// node comes from pintle_node_init and is used by one thread at a time; event and its body are good.
PintleCode pintle_node_poll(struct PintleNode *node, uint64_t now_ms, const struct PintleEvent *event);

// Ends a node and wipes its memory, keys and passphrases with it. The memory is the firmware's again.
//
// What the caller promises:
// node comes from pintle_node_init and is used by one thread at a time.
PintleCode pintle_node_end(struct PintleNode *node);

// Tells what a node is doing. Changes nothing.
//
// What the caller promises:
// node comes from pintle_node_init and is used by one thread at a time; status can be written.
PintleCode pintle_node_status(struct PintleNode *node, struct PintleStatus *status);

// Tells the boot loader which image of the net chip to start: the one that the boot record names if
// it is whole, else the other one if that is. Writes nothing; the start is counted by pintle_node_init,
// which an image should call early, under a watchdog. Better, if the loader can write: pintle_boot_count.
//
// PINTLE_CODE_NO_RECORD: the board is new, start slot A. PINTLE_CODE_BAD_IMAGE: neither is whole.
//
// What the caller promises:
// board is a whole table; slot can be written.
PintleCode pintle_boot_slot(const struct PintleBoard *board, struct PintleBootSlot *slot);

// pintle_boot_slot for a boot loader that can write: counts the start first if a net image is on trial, so that even
// one that dies before pintle_node_init is left. loader_counts of the table has to be 1, here and in every image.
//
// PINTLE_CODE_RANGE: loader_counts is 0. Others as pintle_boot_slot.
//
// What the caller promises:
// board is a whole table; slot can be written.
PintleCode pintle_boot_count(const struct PintleBoard *board,
                             struct PintleBootSlot *slot);

// Verifies an envelope: its signature by a key that may change what it changes, that every command in
// it is understood, that it is for this device, and that its sequence number is higher than kept.
// For a chip that checks images by itself before it starts them.
//
// It says what the payload must hash to; the payload itself was not looked at. Only bytes whose
// SHA-256 is out.payload are what was signed. Needs about 12 KiB of stack, and mostly the time of one
// Ed25519 verification.
//
// envelope: envelope_len bytes.
// anchors: the trust anchors in CBOR, as the component "keys" brings them; anchors_len bytes.
// device: who this is.
// kept: the highest sequence number kept for the role that may change the component.
// out: gets what it brings; all zeros if it is refused.
// refusal: gets why it is refused; may be null.
//
// What the caller promises:
// The pointers are null or good for what is said above.
PintleCode pintle_envelope_verify(const uint8_t *envelope,
                                  size_t envelope_len,
                                  const uint8_t *anchors,
                                  size_t anchors_len,
                                  const struct PintleDevice *device,
                                  uint64_t kept,
                                  struct PintleEnvelope *out,
                                  struct PintleRefusal *refusal);

// Writes what of SUIT this node core carries out: components, commands, parameters and algorithms, as a
// capability report (docs/wire.md section 3.5). It is the same for every node of this version.
//
// out: gets PINTLE_CAPABILITIES_MAX bytes, zeros behind the report.
// out_len: gets the report's length.
//
// What the caller promises:
// out has room for PINTLE_CAPABILITIES_MAX, out_len can be written.
PintleCode pintle_capability_report(uint8_t *out, size_t *out_len);

// Decides whether a change may be applied now: PINTLE_CODE_OK is clearance for this moment and not
// for later, PINTLE_CODE_HOLD means wait. Anything else is an error, and means wait too.
//
// touches_actuation: a fact: the change touches how, when or whether the door moves or is watched, as
// firmware of either chip always does. Only a clear no is taken for one.
// holds: gets every reason to wait, one bit each, see pintle_hold_text; all bits until it is decided.
//
// What the caller promises:
// The pointers are null or good for what they point to.
PintleCode pintle_interlock_decide(uint8_t touches_actuation,
                                   const struct PintleDoorFacts *door,
                                   const struct PintlePolicy *policy,
                                   const struct PintlePairFacts *pair,
                                   uint32_t *holds);

// Decides about the first bundle of a node that has none: its relay has been inhibited since its first
// start, and nothing is known about the door yet. Returns as pintle_interlock_decide.
//
// What the caller promises:
// The pointers are null or good for what they point to.
PintleCode pintle_interlock_decide_first(const struct PintleDoorFacts *door, uint32_t *holds);

// Writes a frame of a payload of 0 to PINTLE_PAYLOAD_MAX bytes.
//
// out: gets PINTLE_FRAME_MAX bytes, zeros behind the frame.
// out_len: gets the frame's length.
//
// What the caller promises:
// payload is good for payload_len bytes, out has room for PINTLE_FRAME_MAX, out_len can be written.
PintleCode pintle_frame_encode(uint8_t kind,
                               uint8_t sequence,
                               const uint8_t *payload,
                               size_t payload_len,
                               uint8_t *out,
                               size_t *out_len);

// Takes a frame apart. Bytes behind it are ignored, since an I2C peripheral pads its buffer.
// PINTLE_CODE_FRAME: too short, a wrong length, or a wrong checksum.
//
// What the caller promises:
// bytes is good for len bytes; frame can be written.
PintleCode pintle_frame_decode(const uint8_t *bytes, size_t len, struct PintleFrame *frame);

// Reads a question of the net chip from a frame. A chip does not answer what is no question.
//
// What the caller promises:
// frame is good for len bytes; ask can be written.
PintleCode pintle_ask_decode(const uint8_t *frame, size_t len, struct PintleAsk *ask);

// Writes the answer to PINTLE_ASK_KIND_HELLO: a frame of *out_len bytes, with zeros behind it.
//
// What the caller promises:
// hello is good; out has room for PINTLE_FRAME_MAX bytes; out_len can be written.
PintleCode pintle_answer_hello(uint8_t sequence,
                               const struct PintleHello *hello,
                               uint8_t *out,
                               size_t *out_len);

// Writes the answer to PINTLE_ASK_KIND_STATUS: a frame of *out_len bytes, with zeros behind it.
//
// What the caller promises:
// door is good; out has room for PINTLE_FRAME_MAX bytes; out_len can be written.
PintleCode pintle_answer_status(uint8_t sequence,
                                const struct PintleDoorStatus *door,
                                uint8_t *out,
                                size_t *out_len);

// Writes the answer "done": a frame of *out_len bytes, with zeros behind it. next is 0, but for
// image questions, which pintle_loader_frame answers by itself.
//
// What the caller promises:
// out has room for PINTLE_FRAME_MAX bytes; out_len can be written.
PintleCode pintle_answer_done(uint8_t sequence, uint32_t next, uint8_t *out, size_t *out_len);

// Writes the answer "not done": a frame of *out_len bytes, with zeros behind it.
//
// What the caller promises:
// out has room for PINTLE_FRAME_MAX bytes; out_len can be written.
PintleCode pintle_answer_no(uint8_t sequence, uint8_t *out, size_t *out_len);

// The sum over all settings in the order of their keys, by which both chips know that they go by the
// same. count must be PINTLE_SETTINGS.
//
// What the caller promises:
// values is good for count numbers; sum can be written.
PintleCode pintle_settings_sum(const uint32_t *values, size_t count, uint16_t *sum);

// SHA-256 of the first size bytes of the store, read back: what the chip compares with its mark
// before it starts the application. PINTLE_CODE_LENGTH: more than there is room for.
//
// What the caller promises:
// store is a whole table; digest has room for 32 bytes.
PintleCode pintle_loader_measure(const struct PintleLoaderStore *store, uint32_t size, uint8_t *digest);

// Begins a loader: at the start of the chip where there is no whole application, and on
// PINTLE_ASK_KIND_ENTER_LOADER.
//
// What the caller promises:
// loader can be written.
PintleCode pintle_loader_init(struct PintleLoader *loader);

// Takes a frame and answers it, if it is a question about images. Keep the relay off meanwhile.
//
// out: gets PINTLE_FRAME_MAX bytes: the answer, with zeros behind it.
// out_len: gets the answer's length.
//
// PINTLE_CODE_OK: send the answer. PINTLE_CODE_START: send it, then start the application.
// PINTLE_CODE_NOT_FOR_LOADER: another question; take it apart with pintle_ask_decode.
// PINTLE_CODE_FLASH: flash failed, and the image is not whole. Send the answer all the same: it is no.
//
// What the caller promises:
// The pointers are null or good for what is said above, for as long as the call takes.
PintleCode pintle_loader_frame(struct PintleLoader *loader,
                               const struct PintleLoaderStore *store,
                               const uint8_t *frame,
                               size_t len,
                               uint8_t *out,
                               size_t *out_len);

// Writes the note of an image: PINTLE_NOTE_LEN bytes, to be placed at a multiple of 16 in it. For a
// small program on a PC that makes a C table of them; an image carries exactly one.
//
// What the caller promises:
// note is good; out has room for PINTLE_NOTE_LEN bytes.
PintleCode pintle_note_encode(const struct PintleNote *note, uint8_t *out);

// Finds and reads the one note in an image. PINTLE_CODE_NOTE: none, two, or a damaged one.
//
// What the caller promises:
// image is good for len bytes; note can be written.
PintleCode pintle_note_find(const uint8_t *image, size_t len, struct PintleNote *note);

// For the firmware to write, if the library was built with the feature panic-handler: called
// when the library cannot go on. Switch the relay off and reset the chip; it must not return,
// and if it does, the library stays in a loop, for the watchdog to end.
//
// file is the source file's name of file_len bytes, not ended by a zero; line the line in it.
extern void pintle_panic(const uint8_t *file, size_t file_len, uint32_t line);

#ifdef __cplusplus
}  // extern "C"
#endif  // __cplusplus

#endif  /* PINTLE_H */
