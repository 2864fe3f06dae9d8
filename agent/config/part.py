"""What every table of the configuration is made of: a frozen, strict model and the plain types of its keys."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, Strict, StringConstraints

__all__ = ["Bool", "Host", "Id", "Int", "Number", "Overrides", "Part", "Scalar", "Text"]

# Strict: in a file "5" is not a number and 1 is not true. The environment's strings are turned into the key's own type
# before they come here.
Number = Annotated[float, Strict()]
Int = Annotated[int, Strict()]
Bool = Annotated[bool, Strict()]
Text = Annotated[str, StringConstraints(strict=True, min_length=1, max_length=1024)]
Id = Annotated[str, Field(pattern=r"^[a-z0-9_-]{1,32}$")]
# A name or an address, no scheme, port, path or user: what a resolver takes (RFC 1123 names, RFC 4291 addresses, which
# have two colons at least; a single one would part off a port).
_NAME, _ADDRESS = r"[A-Za-z0-9_.%-]{1,253}", r"[0-9A-Fa-f]{0,4}:[0-9A-Fa-f]{0,4}:[A-Za-z0-9_.:%-]{0,240}"
Host = Annotated[str, StringConstraints(strict=True, pattern=rf"^({_NAME}|{_ADDRESS})$")]
Scalar = float | int | bool | str
Overrides = dict[str, dict[str, Scalar]]


class Part(BaseModel):
    """A table of the configuration: frozen, a misspelt key is an error, and so are NaN and infinity."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)
