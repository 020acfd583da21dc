"""Mutation testing of `controller/` and of the frame decoder: do the fast tests notice a changed program?

    python -m tests.mutation                        # every mutant (an hour or more); keeps results.json
    python -m tests.mutation --changed BASE         # only of functions that differ from a commit
    python -m tests.mutation --limit 20 --seed 3    # a sample
    python -m tests.mutation --conformance          # mutants of the C core against the conformance set

mutmut makes the mutants and runs tests on each, in a copy of the project. Each mutant meets the QUICK tests
first; what they do not find meets the FAST ones of the stages. A mutant that none of them finds has survived:
it must stand in survivors.toml with the reason why it is equal to the original or accepted.
"""
