"""What the data cannot answer, said in a sentence instead of a number."""


class Refusal(ValueError):
    """Raised where the data cannot carry an answer; its words are a sentence for the reader.

    In a notebook that called :func:`culmbook.show.start` the sentence is shown in the place of the
    answer and the notebook goes on; everywhere else it is an ordinary error.
    """
