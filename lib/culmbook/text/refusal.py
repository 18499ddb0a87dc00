"""What the data cannot answer, said in a sentence instead of a number."""


class Refusal(ValueError):
    """Raised where the data cannot carry an answer; its words are a sentence for the reader.

    In a notebook that called :func:`culmbook.show.start` the sentence is shown in the place of the
    answer and the notebook goes on; everywhere else it is an ordinary error.
    """


def where_possible(items, find, told=str) -> tuple[dict, list[str]]:
    """Find something for every item that carries it.

    Parameters
    ----------
    items : iterable
    find : callable
        Called with an item; raises :class:`Refusal` where there is nothing.
    told : callable
        Makes the sentence of a refusal from ``item: reason``; left out, the reason alone.

    Returns
    -------
    tuple of dict and list of str
        What was found, by item; and why there is nothing for the others.

    Raises
    ------
    Refusal
        Nothing was found for any item: all the reasons, each once.

    Examples
    --------
    >>> def root(x):
    ...     if x < 0:
    ...         raise Refusal("It has no root.")
    ...     return x**0.5
    >>> where_possible([4, -1], root, "{0}: {1}".format)
    ({4: 2.0}, ['-1: It has no root.'])
    """
    found, reasons = {}, []
    for item in items:
        try:
            found[item] = find(item)
        except Refusal as reason:
            reasons.append(str(reason) if told is str else told(item, reason))
    if not found:
        raise Refusal(" ".join(dict.fromkeys(reasons)))
    return found, reasons
