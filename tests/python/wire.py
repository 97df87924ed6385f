"""A second implementation of the wire, written from docs/wire.md with general-purpose libraries.

wire.py check FOLDER   verifies and opens every vector in FOLDER (docs/vectors)
wire.py make FOLDER    makes one of every message, for the node of the vectors, as JSON
"""

import hashlib
import hmac
import json
import os
import struct
import sys
import uuid
import zlib
from pathlib import Path

import cbor2
from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey, X25519PublicKey
from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from cryptography.hazmat.primitives.keywrap import InvalidUnwrap, aes_key_unwrap, aes_key_wrap
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

ED25519, SHA_256, CHACHA, ECDH = -19, -16, 24, -29
AAD = {
    "claim-message": b"pintle claim",
    "check-in-message": b"pintle check-in",
    "reply-message": b"pintle reply",
    "report-message": b"pintle report",
}
ALL, FAILURE = 15, 2  # reporting policies


def cbor(value):
    # Maps are written in the order given, which is the sorted one everywhere below.
    return cbor2.dumps(value)


def sha256(data):
    return hashlib.sha256(data).digest()


def raw(public):
    return public.public_bytes(Encoding.Raw, PublicFormat.Raw)


# Section 2: signatures.


def sig_structure(aad, payload):
    return cbor(["Signature1", cbor({1: ED25519}), aad, payload])


def thumbprint(curve, public):
    return sha256(cbor({1: 1, -1: curve, -2: public}))


def sign(key, aad, payload, detached=False, kid=None):
    signature = key.sign(sig_structure(aad, payload))
    header = {} if kid is None else {4: kid}
    return cbor(cbor2.CBORTag(18, [cbor({1: ED25519}), header, None if detached else payload, signature]))


def verify(public, message, aad, detached=None):
    tag = cbor2.loads(message)
    assert tag.tag == 18 and cbor(tag) == message
    protected, header, payload, signature = tag.value
    assert protected == cbor({1: ED25519}) and set(header) <= {4}
    assert (payload is None) == (detached is not None)
    payload = detached if payload is None else payload
    Ed25519PublicKey.from_public_bytes(public).verify(signature, sig_structure(aad, payload))
    return payload, header


# Section 3: the claim's proof.


def claim_proof(code, node, signing, sealing, klass):
    return hmac.new(code, node + signing + sealing + klass, hashlib.sha256).digest()


# Section 4: envelopes and sealed bundles.


def suit_digest(digest):
    return cbor([SHA_256, digest])


def kdf_context():
    party = [None, None, None]
    return cbor([-3, party, party, [128, cbor({1: ECDH}), b"SUIT Payload Encryption"]])


def wrapping_key(shared, salt):
    return HKDF(hashes.SHA256(), 16, salt, kdf_context()).derive(shared)


def enc_structure():
    return cbor(["Encrypt", cbor({1: CHACHA}), b""])


def seal(recipient, plaintext, kid=None, salt=None):
    ephemeral, key, nonce = X25519PrivateKey.generate(), os.urandom(32), os.urandom(12)
    shared = ephemeral.exchange(X25519PublicKey.from_public_bytes(recipient))
    header = {} if kid is None else {4: kid}
    header[-1] = {1: 1, -1: 4, -2: raw(ephemeral.public_key())}
    if salt is not None:
        header[-20] = salt
    wrapped = aes_key_wrap(wrapping_key(shared, salt), key)
    info = [cbor({1: CHACHA}), {5: nonce}, None, [[cbor({1: ECDH}), header, wrapped]]]
    sealed = ChaCha20Poly1305(key).encrypt(nonce, plaintext, enc_structure())
    return cbor(cbor2.CBORTag(96, info)), sealed


def unseal(secret, info, sealed):
    tag = cbor2.loads(info)
    assert tag.tag == 96
    protected, header, detached, recipients = tag.value
    assert protected == cbor({1: CHACHA}) and detached is None and len(recipients) == 1
    inner, unprotected, wrapped = recipients[0]
    peer = unprotected[-1]
    assert inner == cbor({1: ECDH}) and (peer[1], peer[-1]) == (1, 4)
    shared = X25519PrivateKey.from_private_bytes(secret).exchange(X25519PublicKey.from_public_bytes(peer[-2]))
    key = aes_key_unwrap(wrapping_key(shared, unprotected.get(-20)), wrapped)
    return ChaCha20Poly1305(key).decrypt(header[5], sealed, enc_structure()), shared, key


def envelope(key, component, sequence, name, shared, install, version=None):
    common = cbor({2: [[component]], 4: cbor(shared)})
    manifest = {1: 1, 2: sequence, 3: common, 4: name}
    if version is not None:
        manifest[6] = cbor(version)
    manifest[7] = cbor([3, ALL])
    manifest[20] = cbor(install)
    manifest = cbor(manifest)
    digest = suit_digest(sha256(cbor(manifest)))
    kid = thumbprint(6, raw(key.public_key()))[:8]
    wrapper = cbor([digest, sign(key, b"", digest, detached=True, kid=kid)])
    return cbor(cbor2.CBORTag(107, {2: wrapper, 3: manifest}))


def open_envelope(message, public):
    tag = cbor2.loads(message)
    assert tag.tag == 107 and set(tag.value) == {2, 3}
    signed, block = cbor2.loads(tag.value[2])
    manifest = tag.value[3]
    assert cbor2.loads(signed) == [SHA_256, sha256(cbor(manifest))]
    _, header = verify(public, block, b"", detached=signed)
    assert thumbprint(6, public).startswith(header[4]) and len(header[4]) >= 8
    return cbor2.loads(manifest), signed


# Sections 6 and 7: image note, frames.


def crc16(data):
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = ((crc << 1) ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return crc


def frame(kind, sequence, payload):
    head = bytes([kind, sequence, len(payload)]) + payload
    return head + struct.pack(">H", crc16(head))


def note(chip, version, link, profile, klass):
    head = b"PINTLE\x00\x01" + struct.pack("<BBBBH3H", chip, *link, profile[1], profile[0], *version)
    head += klass + bytes(24)
    return head + struct.pack("<I", zlib.crc32(head))


# Sections 4, 7 and 9: what must be refused, and as what.


def decoded(data):
    """A map that is all of the data, or None."""
    try:
        value = cbor2.loads(data)
    except (ValueError, EOFError):
        return None
    return value if isinstance(value, dict) and cbor(value) == data else None


def image_refused(parameters, version, payload, node, klass):
    """Reason for which an image of the net chip is not staged, or None."""
    if parameters[14] > node["room"]:
        return 106
    if parameters[3] != suit_digest(sha256(payload)):
        return 201
    if b"PINTLE\x00\x01" not in payload:
        return 202
    at = payload.index(b"PINTLE\x00\x01")
    link, profile = parameters[-257], parameters[-258]
    if payload[at : at + 64] != note(1, version, link, profile, klass):
        return 203
    other = node["runs"]["io"]
    meet = max(link[0], other["link"][0]) <= min(link[1], other["link"][1])
    return None if meet and profile[0] == other["profile"][0] else 310


def carried_out(commands, node):
    """Why a procedure for the spare slot 1 stops before its content counts, or None; its parameters."""
    parameters, pairs = {}, list(zip(commands[::2], commands[1::2]))
    if 22 in dict(pairs):
        return 107, parameters
    for step, (command, argument) in enumerate(pairs, start=1):
        if step > 512:
            return 110, parameters
        if command == 20:
            parameters |= argument
        elif command == 12 and argument != 0:
            return 100, parameters
        elif command == 24 and parameters.get(24) != node:
            return 104, parameters
        elif command == 14 or command == 5 and parameters.get(5) != 1:
            return 108, parameters
    return None, parameters


def envelope_refused(v, node, keys, klass):
    """Reason for which a node refuses an envelope that one of its keys has signed, or None."""
    message, payload = bytes.fromhex(v["message"]), bytes.fromhex(v["payload"])
    if len(message) > node["envelope"]:
        return 106
    wrapper = cbor2.loads(message).value
    component = cbor2.loads(cbor2.loads(wrapper[3])[3])[2][0][0].decode()
    role = {"conf": "bundle", "keys": "root"}.get(component, "image")
    manifest, signed = open_envelope(message, bytes.fromhex(keys[role]["public"]))
    if cbor2.loads(signed)[1].hex() != v["offered"]:
        return 109
    shared, install = cbor2.loads(cbor2.loads(manifest[3])[4]), cbor2.loads(manifest[20])
    stopped, parameters = carried_out(shared + install, node["id"])
    if stopped:
        return stopped
    if role == "image":
        version = cbor2.loads(manifest[6]) if 6 in manifest else None
        return image_refused(parameters, version, payload, node, klass)
    content = parameters[18]
    if role == "bundle":
        try:
            content, _, _ = unseal(bytes.fromhex(keys["sealing"]["private"]), parameters[19], content)
        except (ValueError, InvalidTag, InvalidUnwrap):
            return 300
        return None if decoded(content) else 301
    anchors = decoded(content)
    if anchors is None:
        return 320
    all_keys = [anchors[0], *anchors[1], *anchors[2], anchors[3]]
    if bytes(32) in all_keys:
        return 320
    return None if len(set(all_keys)) == len(all_keys) else 320


def trial_lost(v, node, settings):
    """Reason for which a trial is lost, if the io chip says no more than that."""
    hello, status = bytes.fromhex(v["hello"]), bytes.fromhex(v["status"])
    assert hello == frame(129, 1, hello[3:-2]) and status == frame(130, 1, status[3:-2])
    oldest, newest, profile = struct.unpack_from("<BBH", hello, 10)
    ours = node["runs"]["net"]
    meet = max(oldest, ours["link"][0]) <= min(newest, ours["link"][1]) and profile == ours["profile"][0]
    position, flags, _, _, _, told = struct.unpack_from("<BBHHIH", status, 3)
    if not meet or told != settings:
        return 400
    if position == 0 or not flags & 0x40:
        return 401
    return None if position == v["before"] else 402


def transferred(frames):
    """What a loader holds that has heard these questions, and would have given these answers."""
    size, digest, taken, whole = 0, {}, b"", False
    for number, (question, answer) in enumerate(frames, start=1):
        kind, payload = question[0], question[3:-2]
        assert question == frame(kind, number, payload)
        done = 0
        if kind == 5:
            # The same once more: what was taken since stays.
            assert size in (0, struct.unpack("<I", payload)[0])
            (size,) = struct.unpack("<I", payload)
        elif kind == 6:
            assert digest.setdefault(payload[0], payload[1:]) == payload[1:]
            done = len(taken)
        elif kind == 7:
            assert struct.unpack_from("<I", payload)[0] == len(taken) and 1 <= len(payload[4:]) <= 20
            taken += payload[4:]
            done = len(taken)
        elif kind == 8:
            whole = len(taken) == size and sha256(taken) == digest[0] + digest[1]
            assert whole
            done = size
        else:
            assert kind == 4 and not whole or kind == 9 and whole
        assert answer == frame(131, number, struct.pack("<I", done)), (number, answer.hex(), done)
    return taken


def check(folder):
    """Verifies and opens every vector; the number of facts that held."""
    load = lambda name: json.loads((folder / name).read_text())
    held = 0

    def same(what, found, wanted):
        nonlocal held
        assert found == wanted, f"{what}: {found!r} is not {wanted!r}"
        held += 1

    keys_file = load("keys.json")
    keys = {k["name"]: k for k in keys_file["vectors"]}
    public = {name: bytes.fromhex(k["public"]) for name, k in keys.items()}
    for name, k in keys.items():
        private = bytes.fromhex(k["private"])
        ed = k["curve"] == "Ed25519"
        made = (Ed25519PrivateKey if ed else X25519PrivateKey).from_private_bytes(private).public_key()
        same(name, raw(made), public[name])
        print_ = thumbprint(6 if ed else 4, public[name])
        same(f"{name}, thumbprint", (print_.hex(), print_[:8].hex()), (k["thumbprint"], k["kid"]))
    vendor = uuid.uuid5(uuid.NAMESPACE_DNS, keys_file["vendor_domain"])
    same("vendor", vendor.hex, keys_file["vendor"])
    for name in ("net_class", "io_class", "node"):
        same(name, uuid.uuid5(vendor, keys_file[f"{name}_name"]).hex, keys_file[name])

    code = bytes.fromhex(keys_file["claim_code"])
    for v in load("messages.json")["vectors"]:
        aad, message = AAD[v["rule"]], bytes.fromhex(v["message"])
        same(v["name"], aad.decode(), v["external_aad"])
        payload, _ = verify(public[v["signed_by"]], message, aad)
        same(v["name"], payload.hex(), v["payload"])
        same(v["name"], sig_structure(aad, payload).hex(), v["sig_structure"])
        if v["rule"] == "claim-message":
            c = cbor2.loads(payload)
            same("code digest", c[5], sha256(code))
            same("proof", c[6], claim_proof(code, c[1], c[2], c[3], c[4]))
            same("keys", (c[2], c[3]), (public["node"], public["sealing"]))
    for v in load("messages.json")["errors"]:
        fields = cbor2.loads(bytes.fromhex(v["message"]))
        same(v["rule"], (list(fields), fields[0], type(fields[1])), ([0, 1], v["number"], str))

    for v in load("envelopes.json")["vectors"]:
        if v["rule"] == "suit-envelope":
            continue
        manifest, signed = open_envelope(bytes.fromhex(v["message"]), public[v["signed_by"]])
        same(v["name"], signed.hex(), v["signed_digest"])
        shared, install = cbor2.loads(cbor2.loads(manifest[3])[4]), cbor2.loads(manifest[20])
        parameters = {**shared[1], **install[1]}
        if 18 not in parameters:
            content = bytes.fromhex(v["payload"])
            same(v["name"], parameters[21], "payload/" + sha256(content).hex())
        elif 19 in parameters:
            secret = bytes.fromhex(keys["sealing"]["private"])
            content, dh, key = unseal(secret, parameters[19], parameters[18])
            same("plaintext", content.hex(), v["plaintext"])
            same("shared secret", dh.hex(), v["shared_secret"])
            same("content key", key.hex(), v["content_key"])
            same("KDF context", kdf_context().hex(), v["kdf_context"])
            same("key-encryption key", wrapping_key(dh, None).hex(), v["key_encryption_key"])
            same("Enc_structure", enc_structure().hex(), v["enc_structure"])
        else:
            content = parameters[18]
            same("plaintext", content.hex(), v["plaintext"])
        same(v["name"], cbor2.loads(parameters[3]), [SHA_256, sha256(content)])
        same(v["name"], parameters[14], len(content))

    for v in load("files.json")["vectors"]:
        message = bytes.fromhex(v["message"])
        same(v["name"], cbor(cbor2.loads(message)), message)
        if "place" in v:
            head = b"PBR1" + struct.pack("<HH", len(message), 0)
            place = head + struct.pack("<I", zlib.crc32(head + message)) + message
            same("place", place.hex(), v["place"])

    link = load("link.json")
    same("CRC", f"{crc16(b'123456789'):04x}", link["crc_check"]["crc"])
    for v in link["vectors"]:
        same(v["name"], frame(v["kind"], v["sequence"], bytes.fromhex(v["payload"])).hex(), v["frame"])
    io_image = bytes.fromhex(load("images.json")["vectors"][1]["image"])
    for v in link["transfers"]:
        frames = [(bytes.fromhex(f["question"]), bytes.fromhex(f["answer"])) for f in v["frames"]]
        same(v["name"], transferred(frames), io_image)
    values = b"".join(struct.pack("<I", value) for value in link["settings"])
    same("settings", max(crc16(values), 1), link["settings_sum"])

    for chip, v in enumerate(load("images.json")["vectors"], start=1):
        klass = bytes.fromhex(keys_file["net_class" if chip == 1 else "io_class"])
        made = note(chip, [int(n) for n in v["version"].split(".")], v["link"], v["profile"], klass)
        image = bytes.fromhex(v["image"])
        same(v["name"], made.hex(), v["note"])
        same(v["name"], image[v["note_at"] :][:64], made)
        same(v["name"], sha256(image).hex(), v["sha256"])

    refused = load("refused.json")
    net_class = bytes.fromhex(keys_file["net_class"])
    refused["node"]["id"] = bytes.fromhex(keys_file["node"])
    for v in refused["envelopes"]:
        if v["reason"] in (104, 106, 108, 109, 110, 201, 202, 203, 300, 301, 310, 320):
            same(v["name"], envelope_refused(v, refused["node"], keys, net_class), v["reason"])
    for v in refused["trials"]:
        same(v["name"], trial_lost(v, refused["node"], link["settings_sum"]), v["reason"])
    for v in refused["records"]:
        record = cbor2.loads(bytes.fromhex(v["record"]))
        same(v["name"], 405 if record[9][2] == 0 else None, v["reason"])
    return held


def make(folder):
    """One of every message, from the keys of the vectors and fresh random values."""
    keys_file = json.loads((folder / "keys.json").read_text())
    rows = {k["name"]: k for k in keys_file["vectors"]}
    signer = {
        name: Ed25519PrivateKey.from_private_bytes(bytes.fromhex(k["private"]))
        for name, k in rows.items()
        if k["curve"] == "Ed25519"
    }
    public = {name: bytes.fromhex(k["public"]) for name, k in rows.items()}
    ids = {n: bytes.fromhex(keys_file[n]) for n in ("vendor", "net_class", "io_class", "node", "claim_code")}
    node, vendor, net_class = ids["node"], ids["vendor"], ids["net_class"]

    anchors = {0: public["root"], 1: [public["image"]], 2: [public["bundle"]], 3: public["server"]}
    network = {0: b"larkfield", 1: "published test phrase"}
    bundle = {
        0: 1, 1: os.urandom(16), 2: node, 3: "cart shed", 4: [network],
        6: ["https://192.0.2.7:8443"], 7: 300,
        8: {0: 0, 1: 450, 2: 2100, 3: 20, 4: True, 5: 500, 6: 1500, 7: 20},
        9: {0: False, 1: 30, 2: 80, 3: True, 4: True, 5: 2, 6: True, 7: True, 8: 2000, 9: 45, 10: 20},
        10: {0: 300, 1: 50, 2: 60, 3: 15, 5: 30, 6: 99269, 7: -1518033, 8: 9289},
        11: {0: 30, 1: 120, 2: False, 3: 4750, 4: 5250},
    }
    plain = cbor(bundle)
    image = bytes(range(64)) + note(1, [2, 0, 1], [1, 3], [1, 2], net_class) + os.urandom(1000)

    claim = {
        0: 1, 1: node, 2: public["node"], 3: public["sealing"], 4: net_class, 5: sha256(ids["claim_code"]),
        6: claim_proof(ids["claim_code"], node, public["node"], public["sealing"], net_class),
    }
    running = {0: [2, 0, 1], 1: sha256(image), 2: [1, 3], 3: [1, 2], 4: 0}
    report = {3: [], 4: True, 99: ["image/net/8", [SHA_256, sha256(b"manifest")]]}
    check_in = {
        0: 1, 1: node, 2: 5000, 3: os.urandom(16), 4: 77, 5: 3, 6: running, 8: [0, 8, 2], 10: 3, 11: 0, 13: 0,
        15: {0: 0, 1: -70}, 16: cbor(report), 17: 5020, 18: 4,
    }
    # The nonce of the first check-in of the vectors.
    reply = {0: 1, 1: b"a nonce, 16 long", 2: node, 3: 1800000000, 4: 60, 5: {0: sha256(b"offer"), 1: 700}}
    card = {
        0: 1, 1: node, 2: "cart shed", 3: vendor, 4: net_class, 5: ids["io_class"], 6: ids["claim_code"],
        7: anchors, 8: ["http://192.0.2.7:8080"], 9: b"", 10: network,
    }

    def image_envelope():
        shared = [20, {1: vendor, 2: net_class, 3: suit_digest(sha256(image)), 14: len(image), -257: [1, 3],
                       -258: [1, 2]}, 1, ALL, 2, ALL]
        install = [20, {21: "payload/" + sha256(image).hex()}, 21, FAILURE, 3, ALL]
        return envelope(signer["image"], b"net", 8, "image/net/8", shared, install, [2, 0, 1])

    def bundle_envelope(kid=None, salt=None):
        info, sealed = seal(public["sealing"], plain, kid, salt)
        shared = [20, {1: vendor, 2: net_class, 3: suit_digest(sha256(plain)), 14: len(plain), 24: node},
                  1, ALL, 2, ALL, 24, ALL]
        install = [20, {18: sealed, 19: info}, 18, FAILURE, 3, ALL]
        return envelope(signer["bundle"], b"conf", 4, "bundle/4", shared, install)

    def keys_envelope():
        content = cbor(anchors)
        shared = [20, {1: vendor, 3: suit_digest(sha256(content)), 14: len(content)}, 1, ALL]
        install = [20, {18: content}, 18, FAILURE, 3, ALL]
        return envelope(signer["root"], b"keys", 3, "keys/3", shared, install)

    sealing_kid = thumbprint(4, public["sealing"])[:8]
    hello = struct.pack("<BBHB", 1, 3, 1, 2)
    return {
        "claim": sign(signer["node"], AAD["claim-message"], cbor(claim)),
        "check_in": sign(signer["node"], AAD["check-in-message"], cbor(check_in)),
        "reply": sign(signer["server"], AAD["reply-message"], cbor(reply)),
        "report": sign(signer["node"], AAD["report-message"], cbor(report)),
        "image": image,
        "image_envelope": image_envelope(),
        "bundle": plain,
        "bundle_envelope": bundle_envelope(),
        "bundle_envelope_salted": bundle_envelope(sealing_kid, os.urandom(32)),
        "keys_envelope": keys_envelope(),
        "card": cbor(card),
        "frame_hello": frame(1, 9, hello),
        "frame_done": frame(131, 10, struct.pack("<I", 70000)),
    }


def main():
    verb, folder = sys.argv[1], Path(sys.argv[2])
    if verb == "check":
        print(check(folder))
    elif verb == "make":
        print(json.dumps({name: data.hex() for name, data in make(folder).items()}))
    else:
        sys.exit(__doc__)


if __name__ == "__main__":
    main()
