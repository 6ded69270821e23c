"""Reads an MCAP file by its specification alone: by its summary and index, and from the first byte to the last.

Prints one JSON object: what the summary says, what the records say, and the messages of one topic in a span of time.
Usage: mcap-plain-reader.py FILE [TOPIC FROM_NS TO_NS]
"""
import json
import struct
import sys
import zlib

MAGIC = b"\x89MCAP0\r\n"


def text(data, at):
    (size,) = struct.unpack_from("<I", data, at)
    return data[at + 4 : at + 4 + size].decode("utf-8"), at + 4 + size


def records(data, at, end):
    while at < end:
        opcode, size = struct.unpack_from("<BQ", data, at)
        yield opcode, at, data[at + 9 : at + 9 + size]
        at += 9 + size
    assert at == end, "a record reaches beyond the end"


def channel(body):
    number, schema = struct.unpack_from("<HH", body, 0)
    topic, at = text(body, 4)
    encoding, at = text(body, at)
    return number, {"topic": topic, "encoding": encoding, "schema": schema}


def schema(body):
    (number,) = struct.unpack_from("<H", body, 0)
    name, at = text(body, 2)
    encoding, at = text(body, at)
    (size,) = struct.unpack_from("<I", body, at)
    return number, {"name": name, "encoding": encoding, "title": json.loads(body[at + 4 : at + 4 + size])["title"]}


def chunk(body):
    start, end, size, crc = struct.unpack_from("<QQQI", body, 0)
    compression, at = text(body, 28)
    assert compression == ""
    (length,) = struct.unpack_from("<Q", body, at)
    inner = body[at + 8 : at + 8 + length]
    assert len(inner) == size and zlib.crc32(inner) == crc, "checksum of a chunk"
    return start, end, inner


def main():
    with open(sys.argv[1], "rb") as file:
        data = file.read()
    assert data[:8] == MAGIC and data[-8:] == MAGIC
    opcode, size, summary_start, offsets_start, summary_crc = struct.unpack("<BQQQI", data[-37:-8])
    assert (opcode, size) == (0x02, 20)
    assert zlib.crc32(data[summary_start:-12]) == summary_crc, "checksum of the summary"

    groups = {}
    for opcode, at, body in records(data, offsets_start, len(data) - 37):
        assert opcode == 0x0E
        group, start, length = struct.unpack("<BQQ", body)
        groups[group] = (start, length)
    start, length = groups[0x04]
    channels = dict(channel(body) for opcode, at, body in records(data, start, start + length))
    start, length = groups[0x03]
    schemas = dict(schema(body) for opcode, at, body in records(data, start, start + length))
    start, length = groups[0x0B]
    (_, _, statistics), = records(data, start, start + length)
    messages, n_schemas, n_channels, _, _, n_chunks, first, last, size = struct.unpack_from("<QHIIIIQQI", statistics, 0)
    counts = {channels[number]["topic"]: count for number, count in struct.iter_unpack("<HQ", statistics[-size:] if size else b"")}
    assert (n_schemas, n_channels) == (len(schemas), len(channels))

    chunks = []
    start, length = groups[0x08]
    for opcode, at, body in records(data, start, start + length):
        from_ns, to_ns, offset, size, map_size = struct.unpack_from("<QQQQI", body, 0)
        chunks.append((from_ns, to_ns, offset, size, dict(struct.iter_unpack("<HQ", body[36 : 36 + map_size]))))
    assert len(chunks) == n_chunks

    found = []
    if len(sys.argv) > 2:
        topic, low, high = sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
        wanted = [number for number, one in channels.items() if one["topic"] == topic]
        for from_ns, to_ns, offset, size, indexes in chunks:
            if to_ns < low or from_ns > high:
                continue
            (_, _, body), = records(data, offset, offset + size)
            _, _, inner = chunk(body)
            for number in wanted:
                if number not in indexes:
                    continue
                opcode, index_size, own, entries = struct.unpack_from("<BQHI", data, indexes[number])
                assert (opcode, own) == (0x07, number)
                for at_ns, at in struct.iter_unpack("<QQ", data[indexes[number] + 15 : indexes[number] + 15 + entries]):
                    opcode, size, own, sequence, log, publish = struct.unpack_from("<BQHIQQ", inner, at)
                    assert (opcode, own, log) == (0x05, number, at_ns)
                    if low <= log <= high:
                        found.append([log, inner[at + 31 : at + 9 + size].decode("utf-8")])

    streamed = 0
    data_end = None
    for opcode, at, body in records(data, 8, summary_start):
        if opcode == 0x06:
            streamed += sum(1 for inner, _, _ in records(chunk(body)[2], 0, len(chunk(body)[2])) if inner == 0x05)
        elif opcode == 0x0F:
            data_end = at
            assert zlib.crc32(data[:at]) == struct.unpack("<I", body)[0], "checksum of the data"
    assert data_end is not None and streamed == messages

    print(json.dumps({
        "schemas": sorted((one["name"], one["encoding"]) for one in schemas.values()), "counts": counts, "chunks": n_chunks, "first": str(first), "last": str(last),
        "encodings": {one["topic"]: [one["encoding"], schemas[one["schema"]]["name"]] for one in channels.values()}, "found": found,
    }))


main()
