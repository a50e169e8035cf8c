"""Evidence in, corrections out, each estimator with a memory of its own."""
