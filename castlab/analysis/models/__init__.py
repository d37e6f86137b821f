"""The models behind an answer: batches as a random effect, working responses, exact and shuffled tests, and which one answers for which response."""
