from .fuzz_decoders import CORPUS, SEEDS, play


def test_everything_that_fuzzing_has_found_is_decoded_without_an_exception():
    """Kept by fuzz_decoders.py: each input reaches code that no earlier one reached."""
    kept = sorted(CORPUS.glob("*.bin"))
    assert len(kept) > 50
    for data in (*SEEDS, *(path.read_bytes() for path in kept)):
        play(data)
