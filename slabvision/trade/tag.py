"""A yard's tag against the same rule on measured sizes."""

from __future__ import annotations

from dataclasses import dataclass

from slabvision.trade.board_feet import RuleInputError, SlabSizes, Tally, tally
from slabvision.trade.quantity import checked
from slabvision.trade.tally_rules import RULES
from slabvision.trade.tally_words import UNIT_WORDS, plain, where

__all__ = ["TagCheck", "compare_tag", "rules_that_give"]


@dataclass(frozen=True)
class TagCheck:
    """A tag's figure against the same rule on measured sizes.

    Attributes
    ----------
    tag : float
    tally : Tally
    agrees : bool
        Whether the measured sizes, within their interval, can give the tag's figure; the text
        says which size that takes.
    over : float
        Tag minus the rule's figure, in the rule's unit: above 0 the tag claims more.
    text : str
        In words.
    """

    tag: float
    tally: Tally
    agrees: bool
    over: float
    text: str


def compare_tag(tag: float, result: Tally, *, tag_step: float | None = None) -> TagCheck:
    """Compare a tag with the figure the same rule gives.

    Parameters
    ----------
    tag : float
        As written, in the rule's unit.
    result : Tally
        The slab by the tag's rule.
    tag_step : float, optional
        How finely the tag is written; by default its last decimal (54 is 1, 54.5 is 0.1), and 0
        where the rule itself rounds.

    Examples
    --------
    >>> slab = SlabSizes(2438.4, (508.0, 660.4), thickness_mm=57.15)
    >>> compare_tag(39, tally(RULES["mean of ends"], slab)).text
    'tag 39 is 4.5 board feet (13 %) more than the same rule gives: 34.5 board feet'
    """
    checked(tag, "", "tag", over=0)
    if tag_step is None:
        tag_step = 0.0 if result.rule.rounds else (1.0 if float(tag).is_integer() else 0.1)
    reach = tag_step / 2 + 1e-6
    over = tag - result.figure
    unit = UNIT_WORDS[result.rule.unit]
    if result.possible:
        agrees = abs(over) <= reach
        needed = [j for j in result.jumps if abs(j.figure - tag) <= reach]
        if needed and not agrees:
            text = (
                f"tag {plain(tag)} agrees only if the {where(needed[0], result.rule.unit)}; "
                f"by the same rule {result.statement}"
            )
            return TagCheck(tag, result, True, over, text)
        agrees = agrees or any(abs(f - tag) <= reach and p >= 0.025 for f, p in result.possible)
    else:
        lo, hi = result.figures.interval
        agrees = lo - reach <= tag <= hi + reach
    if agrees:
        text = f"tag {plain(tag)} agrees: by the same rule {result.statement}"
    else:
        share = f" ({abs(over) / result.figure * 100:.0f} %)" if result.figure > 0 else ""
        word = "more" if over > 0 else "less"
        text = (
            f"tag {plain(tag)} is {plain(round(abs(over), 2))} {unit}{share} {word} than the same "
            f"rule gives: {result.statement}"
        )
    return TagCheck(tag, result, agrees, over, text)


def rules_that_give(tag: float, sizes: SlabSizes) -> tuple[str, ...]:
    """Return the names of the board-foot rules by which these sizes could give the tag."""
    names = []
    for name, rule in RULES.items():
        if rule.unit != "bf":
            continue
        try:
            check = compare_tag(tag, tally(rule, sizes))
        except RuleInputError:
            continue
        if check.agrees:
            names.append(name)
    return tuple(names)
