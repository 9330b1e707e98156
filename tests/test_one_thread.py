"""Linear algebra keeps to one thread until the last that solves is done."""

from contextlib import ExitStack

from threadpoolctl import ThreadpoolController

from evenflare.radiation.one_thread import one_thread


def threads() -> set[int]:
    return {each["num_threads"] for each in ThreadpoolController().select(user_api="blas").info()}


def test_the_limit_stands_until_the_last_is_done():
    with ThreadpoolController().limit(limits=2, user_api="blas"):
        before = threads()
        assert before == {2}
        with ExitStack() as first, ExitStack() as second:
            first.enter_context(one_thread())
            second.enter_context(one_thread())
            assert threads() == {1}
            first.close()
            assert threads() == {1}
            second.close()
            assert threads() == before
