"""The page's door: who may come in from off this machine, and what no other site may make a browser do.

``lock`` keeps the password's hash and the key that signs sessions; ``sessions`` signs and reads the cookie;
``patience`` slows those who guess; ``connections`` ends those that say nothing; ``guard`` stands before every route;
``entrance`` has the few routes that need no session; ``door`` puts them together.
"""
