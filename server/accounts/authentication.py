"""`Authorization: Bearer ...`: somebody with a key, a node with its token."""

from __future__ import annotations

import logging
from typing import NoReturn

from rest_framework.authentication import BaseAuthentication, get_authorization_header
from rest_framework.exceptions import AuthenticationFailed, NotAuthenticated
from rest_framework.permissions import BasePermission
from rest_framework.request import Request

from scheduling.nodes.reports import Revoked, StaleEpoch
from server import wiring
from server.accounts.addresses import address_of
from server.accounts.attempt_limit import guarded
from server.accounts.credentials import credential_of
from server.accounts.keys import holder_of
from server.accounts.principals import KeyHolder, Node
from server.accounts.tokens import matches, prefix_of
from server.request_id import request_id

logger = logging.getLogger(__name__)


def _bearer(request: Request) -> str | None:
    """The token in the header of RFC 6750; None without one.

    Raises:
        AuthenticationFailed: there is a header, but it carries no such token.
    """
    header = get_authorization_header(request).split()
    if not header:
        return None
    if len(header) != 2 or header[0].lower() != b"bearer" or not header[1].isascii():
        raise AuthenticationFailed("Give `Authorization: Bearer` and one token.")
    return header[1].decode("ascii")


def _refuse(request: Request, said: str) -> NoReturn:
    """Refuse a wrong key or token, and count it.

    Raises:
        AuthenticationFailed: always, but where
        TooManyTries: too many came from there.
    """
    address = address_of(request._request)
    with guarded("key", address, wiring.now(), AuthenticationFailed):
        logger.warning("request %s from %s: a wrong key or token", request_id(request._request), address)
        raise AuthenticationFailed(said)


class KeyAuthentication(BaseAuthentication):
    """A key."""

    def authenticate(self, request: Request) -> tuple[KeyHolder, None] | None:
        """Whose key the request carries; None for a token of another kind.

        Raises:
            AuthenticationFailed: nobody's key, or one that was revoked.
            TooManyTries: and there were too many of those.
        """
        key = _bearer(request)
        if key is None or key.startswith("node_"):
            return None
        holder = holder_of(key, wiring.now())
        if holder is None:
            _refuse(request, "This key is not, or no longer, good.")
        return holder, None

    def authenticate_header(self, request: Request) -> str:
        """The challenge that goes with 401."""
        return "Bearer"


class NodeAuthentication(BaseAuthentication):
    """A node's token."""

    def authenticate(self, request: Request) -> tuple[Node, None] | None:
        """Which machine's node asks; None for a token of another kind.

        Raises:
            AuthenticationFailed: nobody's token.
            TooManyTries: and there were too many of those.
            StaleEpoch: another board has taken over, or this one was revoked; it must learn that it is fenced off, not
                that it is unknown.
        """
        token = _bearer(request)
        if token is None or not token.startswith("node_"):
            return None
        kept = credential_of(prefix_of(token))
        if kept is None or not matches(token, kept.digest):
            _refuse(request, "This token is not good; enrol the board again.")
        if kept.epoch != kept.newest:
            raise StaleEpoch(kept.epoch, kept.newest)
        if kept.is_revoked:
            raise Revoked(kept.epoch)
        return Node(kept.machine, kept.epoch, kept.heard_at), None

    def authenticate_header(self, request: Request) -> str:
        """The challenge that goes with 401."""
        return "Bearer"


def board_let_in(header: str) -> Node | None:
    """The node that comes with a header of RFC 6750; None for whoever is not let in by it as a node: why, and what
    follows from it, is for `NodeAuthentication`."""
    scheme, _, token = header.partition(" ")
    if scheme.lower() != "bearer" or not token.startswith("node_"):
        return None
    kept = credential_of(prefix_of(token))
    if kept is None or not matches(token, kept.digest) or not kept.is_good:
        return None
    return Node(kept.machine, kept.epoch, kept.heard_at)


def who_asks(request: Request) -> KeyHolder | Node:
    """Who came in with a key or a token.

    Raises:
        NotAuthenticated: nobody did.
    """
    who: object = request.user
    if not isinstance(who, KeyHolder | Node):
        raise NotAuthenticated
    return who


def node_asking(request: Request) -> Node:
    """The node that asks, where `IsNode` lets in nobody else.

    Raises:
        NotAuthenticated: none does.
    """
    who = who_asks(request)
    if not isinstance(who, Node):
        raise NotAuthenticated
    return who


class HasKey(BasePermission):
    """Only somebody with a key; what its role may change, `server.accounts.roles` says."""

    message = "Only somebody with a key, and no node, may do this."

    def has_permission(self, request: Request, view: object) -> bool:
        """Whether somebody with a key asks."""
        return isinstance(request.user, KeyHolder)


class IsNode(BasePermission):
    """Only a node."""

    message = "Only a node, with its token, may do this."

    def has_permission(self, request: Request, view: object) -> bool:
        """Whether a node asks."""
        return isinstance(request.user, Node)
