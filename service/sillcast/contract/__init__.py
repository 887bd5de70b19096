"""Wire types: one struct per thing, used on the wire and inside, with both bounds on every number."""

from sillcast.contract.advice import *  # noqa: F403  # one name for all wire types
from sillcast.contract.advice import __all__ as _advice
from sillcast.contract.answer import *  # noqa: F403  # one name for all wire types
from sillcast.contract.answer import __all__ as _answer
from sillcast.contract.base import *  # noqa: F403  # one name for all wire types
from sillcast.contract.base import __all__ as _base
from sillcast.contract.door import *  # noqa: F403  # one name for all wire types
from sillcast.contract.door import __all__ as _door
from sillcast.contract.request import *  # noqa: F403  # one name for all wire types
from sillcast.contract.request import __all__ as _request

__all__ = sorted([*_advice, *_answer, *_base, *_door, *_request])  # noqa: PLE0605  # a list of strings, put together
