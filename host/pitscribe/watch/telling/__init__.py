"""What is told to a person who does not look: alerts, each once.

``conditions`` says what holds now, from a snapshot's body; ``words`` puts it into a message; ``decide`` says which of
it is to be told, given what was told before; ``teller`` does so while a cook runs, and ``post`` sends it; ``dry`` walks
an old cook and says what would have been sent.
"""
