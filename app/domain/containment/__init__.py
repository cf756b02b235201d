"""The containment model: one housing as a small pure state machine.

`state` says what is so, `effects` what can be done and what it uses up, `rules` what each effect needs
and changes, `rest` where work may be left.  The model does not see the housing: it guards the order of
work and never replaces the site's own instructions.
"""
