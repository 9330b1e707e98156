"""The LAPACK and BLAS routines of scipy that the march calls from compiled code, without copies.

numba's own linear algebra has no Cholesky solve in place; calling the routines by name makes the march about twice
as fast. Registering the names when this module loads is what lets compiled code be kept in numba's cache.
Arguments are pointers and matrices are column-major: a row-major symmetric matrix is its own transpose, so that
"lower" here is the upper triangle there.
"""

from __future__ import annotations

import llvmlite.binding as llvm
from numba import types
from numba.extending import get_cython_function_address

_INT = types.CPointer(types.int32)
_REAL = types.CPointer(types.float64)
_FLAG = types.CPointer(types.uint8)


def _routine(module: str, name: str, *arguments: types.Type) -> types.ExternalFunction:
    symbol = f"evenflare_{name}"
    llvm.add_symbol(symbol, get_cython_function_address(f"scipy.linalg.{module}", name))
    return types.ExternalFunction(symbol, types.void(*arguments))


dpotrf = _routine("cython_lapack", "dpotrf", _FLAG, _INT, _REAL, _INT, _INT)
"""(uplo, n, a, lda, info): Cholesky factor of a positive definite matrix, in place."""
dgesv = _routine("cython_lapack", "dgesv", _INT, _INT, _REAL, _INT, _INT, _REAL, _INT, _INT)
"""(n, nrhs, a, lda, ipiv, b, ldb, info): solution of a x = b with pivoting, in place."""
dtrsm = _routine("cython_blas", "dtrsm", *[_FLAG] * 4, _INT, _INT, _REAL, _REAL, _INT, _REAL, _INT)
"""(side, uplo, transa, diag, m, n, alpha, a, lda, b, ldb): solution with a triangular matrix, in place."""
dsyrk = _routine("cython_blas", "dsyrk", _FLAG, _FLAG, _INT, _INT, _REAL, _REAL, _INT, _REAL, _REAL, _INT)
"""(uplo, trans, n, k, alpha, a, lda, beta, c, ldc): one triangle of alpha a a^T + beta c, in place."""
dgemm = _routine(
    "cython_blas", "dgemm", _FLAG, _FLAG, _INT, _INT, _INT, _REAL, _REAL, _INT, _REAL, _INT, _REAL, _REAL, _INT
)
"""(transa, transb, m, n, k, alpha, a, lda, b, ldb, beta, c, ldc): alpha a b + beta c, in place."""
