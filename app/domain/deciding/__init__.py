"""The decisions, by what they are about; `app.domain.decide` is the one door to them."""
