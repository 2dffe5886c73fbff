"""The characteristics in order, with indexes of their declarations. `register` adds a characteristic."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from lots.domain.characteristics.bond.declared_bond import BOND
from lots.domain.characteristics.color.declared_color import COLOR
from lots.domain.characteristics.declaring.declaration import Characteristic, Judged, Measure, RepeatFigure, Studied
from lots.domain.characteristics.diameter import DIAMETER
from lots.domain.characteristics.gloss import GLOSS
from lots.domain.characteristics.moisture import MOISTURE
from lots.domain.characteristics.opacity.declared_opacity import OPACITY
from lots.domain.characteristics.shrinkage.declared_shrinkage import SHRINKAGE
from lots.domain.characteristics.stringing import STRINGING
from lots.domain.characteristics.surface import SURFACE
from lots.domain.conformity import findings

_DECLARED: dict[str, Characteristic] = {}
_JUDGED: dict[str, Judged] = {}
_MEASURES: dict[str, Measure] = {}
_REPEATED: dict[str, RepeatFigure] = {}
_STUDIED: dict[str, Studied] = {}

# By name or code, in display order.
DECLARED: Mapping[str, Characteristic] = MappingProxyType(_DECLARED)
JUDGED: Mapping[str, Judged] = MappingProxyType(_JUDGED)
MEASURES: Mapping[str, Measure] = MappingProxyType(_MEASURES)
REPEATED: Mapping[str, RepeatFigure] = MappingProxyType(_REPEATED)
STUDIED: Mapping[str, Studied] = MappingProxyType(_STUDIED)


def register(declared: Characteristic) -> None:
    """Adds a characteristic. Call it before importing anything that derives from the registry.

    Raises:
        ValueError: the name is taken, or a code does not begin with it.
    """
    if declared.name in _DECLARED:
        raise ValueError(f"{declared.name} is declared already")
    coded = (declared.judged, declared.measures, declared.repeats.figures, declared.studied)
    codes = [one.code for some in coded for one in some]
    if strays := [code for code in codes if code.partition(".")[0] != declared.name]:
        raise ValueError(f"{', '.join(strays)}: codes of {declared.name} begin with its name")
    _DECLARED[declared.name] = declared
    _JUDGED.update({one.code: one for one in declared.judged})
    _MEASURES.update({one.code: one for one in declared.measures})
    _REPEATED.update({one.code: one for one in declared.repeats.figures})
    _STUDIED.update({one.code: one for one in declared.studied})
    findings.name_findings({one.code: one.label for one in declared.judged}, declared.name, declared.decimals)


for _one in (COLOR, DIAMETER, SHRINKAGE, BOND, SURFACE, MOISTURE, GLOSS, OPACITY, STRINGING):
    register(_one)


def said(code: str) -> str:
    """Returns the name of a code's characteristic within a sentence, such as colour for `color.step`; else the first part of the code."""
    name = code.partition(".")[0]
    return _DECLARED[name].said if name in _DECLARED else name


def is_step(code: str) -> bool:
    """Returns whether a finding is a step from the last accepted lot."""
    return code in _JUDGED and _JUDGED[code].step


def declared_of(code: str) -> Characteristic:
    """Returns the characteristic that a code such as `gloss.gu_60`, or its name, belongs to.

    Raises:
        LookupError: it is not declared, for example because a newer program stored the reading.
    """
    name = code.partition(".")[0]
    if name not in _DECLARED:
        raise LookupError(f"no characteristic {name} is declared")
    return _DECLARED[name]
