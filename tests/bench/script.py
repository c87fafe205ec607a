"""A script as one would write it in an afternoon: receive a message, insert it into SQLite, commit.

    script.py PORT QOS MESSAGES FILE [careful]

Keeps each count with its time and the difference to the previous one. It does not handle restarts, repeats, lost
messages or days of 23 hours. It exists for comparison in speed and in bytes written, with the libraries' own defaults.
After MESSAGES messages it prints the monotonic seconds of the last one and the seconds of processor time that they
took.

`careful`: a version with a write-ahead log. It commits once a second, so a crash loses the messages of up to a second
for good: they have already been acknowledged.
"""
import json
import sqlite3
import sys
import time

import paho.mqtt.client as mqtt

port, qos, messages, file = int(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), sys.argv[4]
careful = "careful" in sys.argv[5:]
database = sqlite3.connect(file, check_same_thread=False)
if careful:
    database.execute("PRAGMA journal_mode = WAL")
    database.execute("PRAGMA synchronous = NORMAL")
database.execute("CREATE TABLE reading (meter TEXT, at REAL, count INTEGER, gain INTEGER)")
database.execute("CREATE INDEX reading_by_time ON reading (meter, at)")
database.commit()
last = {}
heard_count = 0
committed_at = time.monotonic()


def heard(client, userdata, message):
    global heard_count, committed_at
    count = json.loads(message.payload)["count"]
    meter = message.topic
    database.execute("INSERT INTO reading VALUES (?, ?, ?, ?)",
                     (meter, time.time(), count, count - last.get(meter, count)))
    last[meter] = count
    heard_count += 1
    if not careful or heard_count == messages or time.monotonic() - committed_at >= 1:
        database.commit()
        committed_at = time.monotonic()
    if heard_count == messages:
        print(time.monotonic(), time.process_time(), flush=True)


client = mqtt.Client("script", clean_session=False)
client.on_message = heard
client.on_subscribe = lambda *_: print("ready", flush=True)
client.connect("127.0.0.1", port)
client.subscribe("nodes/+/water", qos)
client.loop_forever()
