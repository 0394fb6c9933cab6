"""Hand a command to the process that has its modules loaded, lend it the streams, and end as it ends.

    python -I -S warm_ask.py SOCKET MODULE ARGUMENTS...

Loads next to nothing itself. Where nobody answers, the command is run in the ordinary way.
"""

import contextlib
import json
import os
import signal
import socket
import sys


def main() -> int:
    """Run the command; its status, 128 and the signal where one killed it."""
    address, module, arguments = sys.argv[1], sys.argv[2], sys.argv[3:]
    server = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        server.connect(address)
        order = {"module": module, "arguments": arguments, "folder": os.getcwd(), "environment": dict(os.environ)}
        content = json.dumps(order).encode()
        socket.send_fds(server, [len(content).to_bytes(4, "big")], [0, 1, 2])
        server.sendall(content)
        taken = server.recv(1) == b"a"
    except OSError:
        taken = False
    if not taken:
        os.execv(sys.executable, [sys.executable, "-P", "-m", module, *arguments])

    def pass_on(number: int, frame: object) -> None:
        with contextlib.suppress(OSError):
            server.sendall(b"t")

    signal.signal(signal.SIGTERM, pass_on)
    with contextlib.suppress(OSError):
        answer = server.recv(8)
        if answer:
            status = int(answer)
            return status if status >= 0 else 128 - status
    return 1


if __name__ == "__main__":
    sys.exit(main())
