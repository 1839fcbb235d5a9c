"""Twenty observers of one bench in a process of their own; at the end of standard input it prints what they saw.

Not a test: started by test_mqtt.py.
"""

import json
import sys
import threading

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion


def main(host: str, port: int, bench: str, many: int) -> None:
    seen = [0] * many
    there = threading.Semaphore(0)
    clients = []
    for number in range(many):
        client = paho.Client(CallbackAPIVersion.VERSION2, client_id=f"observer-{number}", protocol=paho.MQTTv5)

        def came(_: object, __: object, ___: object, number: int = number) -> None:
            seen[number] += 1

        client.on_message = came
        client.on_connect = lambda client, *_: client.subscribe(f"bench/v1/{bench}/#", qos=0)
        client.on_subscribe = lambda *_: there.release()
        client.connect(host, port)
        client.loop_start()
        clients.append(client)
    for _ in range(many):
        there.acquire()
    print("watching", flush=True)
    sys.stdin.read()
    for client in clients:
        client.disconnect()
        client.loop_stop()
    print(json.dumps(seen), flush=True)


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), sys.argv[3], int(sys.argv[4]))
