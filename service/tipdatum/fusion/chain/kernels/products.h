/* Products with the whole covariance, and its way through a block; the twin of `carry` (transition.py). What is
   multiplied with it is made of noughts for the most part, and P is read once instead of packed and copied. */

/* Twice as wide where a processor can: four numbers at a time, each with the same sums, so that every processor
   gives the same figures. */
#if defined(__x86_64__) && defined(__GLIBC__) && defined(__GNUC__) && !defined(__clang__)
#define WIDE __attribute__((target_clones("avx2", "default")))
#else
#define WIDE
#endif

/* y += a · X for `count` columns of four rows X, which stand `size` apart */
#define ADD_FOUR(y, a, X, size, count)                                                                            \
    do {                                                                                                     \
        const double *restrict x0 = (X), *restrict x1 = x0 + (size), *restrict x2 = x1 + (size),             \
                     *restrict x3 = x2 + (size);                                                             \
        const double a0 = (a)[0], a1 = (a)[1], a2 = (a)[2], a3 = (a)[3];                                     \
        for (int c = 0; c < (count); c++)                                                                    \
            (y)[c] = (((y)[c] + a0 * x0[c]) + a1 * x1[c]) + (a2 * x2[c] + a3 * x3[c]);                       \
    } while (0)

/* AP += A · P for A (rows, size) and P (size, size). */
WIDE static void times_covariance(const double *A, int rows, const double *P, int size, double *AP)
{
    int k = 0;
    for (; k + 4 <= size; k += 4)
        for (int r = 0; r < rows; r++) {
            const double *a = A + r * size + k;
            double *restrict y = AP + r * size;
            if (a[0] != 0.0 || a[1] != 0.0 || a[2] != 0.0 || a[3] != 0.0)
                ADD_FOUR(y, a, P + k * size, size, size);
        }
    for (; k < size; k++)
        for (int r = 0; r < rows; r++)
            add_times(AP + r * size, A[r * size + k], P + k * size, size);
}

/* P -= Wᵀ W for W (rows, size): what is right of the diagonal, and the same left of it. */
WIDE static void less_known(double *P, const double *W, int rows, int size)
{
    for (int i = 0; i < size; i++) {
        double *restrict y = P + i * size + i;
        const double *w = W + i;
        int k = 0;
        for (; k + 4 <= rows; k += 4, w += 4 * size) {
            const double a[4] = {-w[0], -w[size], -w[2 * size], -w[3 * size]};
            ADD_FOUR(y, a, w, size, size - i);
        }
        for (; k < rows; k++, w += size)
            add_times(y, -w[0], w, size - i);
    }
    for (int i = 1; i < size; i++)
        for (int k = 0; k < i; k++)
            P[i * size + k] = P[k * size + i];
}

/* C = A Bᵀ for A and B (rows, size), where that is symmetric. */
WIDE static void symmetric_product(const double *A, const double *B, int rows, int size, double *C)
{
    for (int r = 0; r < rows; r++)
        for (int s = 0; s <= r; s++) {
            const double *a = A + r * size, *b = B + s * size;
            double sums[4] = {0.0, 0.0, 0.0, 0.0};
            int k = 0;
            for (; k + 4 <= size; k += 4)
                for (int p = 0; p < 4; p++)
                    sums[p] += a[k + p] * b[k + p];
            for (; k < size; k++)
                sums[0] += a[k] * b[k];
            C[r * rows + s] = C[s * rows + r] = (sums[0] + sums[1]) + (sums[2] + sums[3]);
        }
}

PyDoc_STRVAR(carry_doc,
"carry(P, F)\n\n"
"P ← F P Fᵀ for F (d, n), where what F does not tell stays.");

static PyObject *carry(PyObject *module, PyObject *const *args, Py_ssize_t given)
{
    Frame frame = {0};
    double *work = NULL;
    (void)module;
    if (given != 2 || !PyArray_Check(args[1]) || PyArray_NDIM((PyArrayObject *)args[1]) != 2) {
        PyErr_SetString(PyExc_TypeError, "carry(P, F)");
        return NULL;
    }
    const int d = (int)PyArray_DIM((PyArrayObject *)args[1], 0), size = (int)PyArray_DIM((PyArrayObject *)args[1], 1);
    double *P = changed(&frame, args[0], (npy_intp)size * size, "P");
    const double *F = reals(&frame, args[1], (npy_intp)d * size, "F");
    if (!frame.failed && d <= size && (work = PyMem_Calloc((size_t)d * (size + d), sizeof(double))) != NULL) {
        double *FP = work, *corner = work + (size_t)d * size;
        times_covariance(F, d, P, size, FP);
        symmetric_product(FP, F, d, size, corner);
        for (int r = 0; r < d; r++) {
            memcpy(P + r * size, corner + r * d, sizeof(double) * d);
            memcpy(P + r * size + d, FP + r * size + d, sizeof(double) * (size - d));
        }
        for (int k = d; k < size; k++)
            for (int r = 0; r < d; r++)
                P[k * size + r] = FP[r * size + k];
    } else if (!frame.failed) {
        frame.failed = 1;
        if (d > size)
            PyErr_SetString(PyExc_ValueError, "carry: F has more rows than the state");
        else
            PyErr_NoMemory();
    }
    PyMem_Free(work);
    let_go(&frame);
    return frame.failed ? NULL : Py_NewRef(Py_None);
}
