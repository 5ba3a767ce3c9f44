"""Raw memory for code that runs without Python: addresses as pointers, and 64-bit counters two threads may share.

An audio callback gets one address: that of a *control block*, an int64 array which holds counters and the addresses
of everything else. Counters that another thread reads are stored with release and loaded with acquire order, so that
what was written before a counter moved is seen after it has been read, on any processor. Aligned 64-bit loads and
stores are single operations on every platform Numba supports.
"""

from __future__ import annotations

from typing import Any

import numba
from numba import types
from numba.extending import intrinsic

carray: Any = numba.carray  # type: ignore[attr-defined]
"""``carray(pointer, shape)``: memory as array, in compiled code."""


def _pointer_to(item: Any) -> Any:
    def typed(typingctx: Any, address: Any) -> Any:
        def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
            return builder.inttoptr(args[0], context.get_value_type(signature.return_type))

        return pointer(types.int64), generate

    pointer: Any = types.CPointer(item)  # type: ignore[no-untyped-call]
    return intrinsic(typed)


# An int64 address as a typed pointer, for ``carray``.
floats_at = _pointer_to(types.float32)
counters_at = _pointer_to(types.int64)
doubles_at = _pointer_to(types.float64)


def _address_of(typingctx: Any, pointer: Any) -> Any:
    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        return builder.ptrtoint(args[0], context.get_value_type(types.int64))

    return types.int64(types.voidptr), generate


def _load_shared(typingctx: Any, counters: Any, place: Any) -> Any:
    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        array = context.make_array(signature.args[0])(context, builder, args[0])
        return builder.load_atomic(builder.gep(array.data, [args[1]]), "acquire", 8)

    return types.int64(counters, types.int64), generate


def _store_shared(typingctx: Any, counters: Any, place: Any, value: Any) -> Any:
    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        array = context.make_array(signature.args[0])(context, builder, args[0])
        builder.store_atomic(args[2], builder.gep(array.data, [args[1]]), "release", 8)
        return context.get_dummy_value()

    return types.void(counters, types.int64, types.int64), generate


address_of: Any = intrinsic(_address_of)
"""The address that a ``void*`` argument of a callback holds."""
load_shared: Any = intrinsic(_load_shared)
"""``load_shared(counters, place)``: ``counters[place]`` of a contiguous int64 array, with acquire order."""
store_shared: Any = intrinsic(_store_shared)
"""``store_shared(counters, place, value)``, with release order."""
