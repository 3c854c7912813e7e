"""Property-based search on the compiled law: examples drawn by Hypothesis, run and watched in C, the smallest kept."""
