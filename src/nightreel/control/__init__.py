"""Long-running processes of our own and the small local protocol that commands them."""

from nightreel.control.client import Client
from nightreel.control.messages import PROTOCOL_VERSION, Reply, Request
from nightreel.control.server import Handler, Server
from nightreel.control.sockets import runtime_folder, socket_path

__all__ = ["PROTOCOL_VERSION", "Client", "Handler", "Reply", "Request", "Server", "runtime_folder", "socket_path"]
