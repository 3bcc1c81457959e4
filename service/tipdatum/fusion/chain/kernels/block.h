/* Samples of one sensor into sums over K epochs; the twin of `Strapdown.block` (integration.py). */

#define ROW 10       /* numbers of a sample: t, force, rate, integral of the rate */
#define SUMMED 7     /* fx fz fy wx wz wy |f|² */
#define SUMS 10      /* those, and the force's again */

static const int ORDER[6] = {0, 2, 1, 3, 5, 4};

typedef struct {
    cplx *force, *moment, *rate;
    double *force_y, *moment_y, *rate_y, *force_slope, *rate_slope, *shake, *step, *raw;
} Sums;

/* Work space for `rows` samples: t, ε and, for each, integrands, their integrals, those of the force again. */
#define SPACE(rows) ((size_t)(rows) * (2 + SUMMED + SUMMED + 3))

/* Returns the number of the sample before the last edge. */
static int sum_up(const double *X, int rows, double start, int K, double T, const double *turn,
                  const double *offset, double *space, Sums to)
{
    double *t = space, *eps = t + rows, *Z = eps + rows, *C = Z + SUMMED * rows, *again = C + SUMMED * rows;
    int at[2 * MOST_EPOCHS + 1];
    double ahead[2 * MOST_EPOCHS + 1], half[2 * MOST_EPOCHS + 1], turned[2 * MOST_EPOCHS + 1];
    double edges[MOST_EPOCHS + 1][SUMS];
    const double over = 1.0 / T;
    const int points = 2 * K + 1, last = 2 * K;

    for (int s = 0; s < rows; s++) {
        const double *x = X + ROW * s;
        double *z = Z + SUMMED * s;
        t[s] = x[0] - start;
        for (int c = 0; c < 6; c++) {
            double sum = offset[ORDER[c]];
            for (int r = 0; r < 6; r++)
                sum += x[1 + r] * turn[6 * r + ORDER[c]];
            z[c] = sum;
        }
        z[6] = z[0] * z[0] + z[1] * z[1] + z[2] * z[2];
    }
    for (int p = 0, s = 0; p < points; p++) {
        /* Where each edge and middle lies among the samples, and how far behind the one before it. */
        const double point = 0.5 * T * p;
        while (s < rows - 2 && t[s + 1] <= point)
            s++;
        at[p] = s;
        ahead[p] = point - t[s];
        half[p] = 0.5 * ahead[p] / (t[s + 1] - t[s]);
    }
    {
        const double *before = X + ROW * at[last], *after = before + ROW;
        const double *first = Z + SUMMED * at[0], *end = Z + SUMMED * at[last];
        static const int FORCE[3] = {0, 2, 1}, RATE[3] = {3, 5, 4};
        double slope[6];
        for (int c = 0; c < 3; c++)
            to.raw[c] = before[7 + c] + ahead[last] * (before[4 + c] + half[last] * (after[4 + c] - before[4 + c]));
        for (int c = 0; c < 6; c++) {
            const double a = first[c] + 2.0 * half[0] * (first[c + SUMMED] - first[c]);
            const double b = end[c] + 2.0 * half[last] * (end[c + SUMMED] - end[c]);
            slope[c] = (b - a) * (1.0 / (K * T));
        }
        for (int c = 0; c < 3; c++) {
            to.force_slope[c] = slope[FORCE[c]];
            to.rate_slope[c] = slope[RATE[c]];
        }
    }
    eps[0] = 0.0;
    for (int s = 1; s < rows; s++)
        eps[s] = eps[s - 1] + (Z[SUMMED * s + 5] + Z[SUMMED * (s - 1) + 5]) * (-0.5 * (t[s] - t[s - 1]));
    for (int p = 1; p < points; p += 2) {
        const double *z = Z + SUMMED * at[p];
        turned[p] = eps[at[p]] - ahead[p] * (z[5] + half[p] * (z[5 + SUMMED] - z[5]));
    }
    /* Into axes common to the whole block. */
    for (int s = 0; s < rows; s++) {
        double *z = Z + SUMMED * s;
        const double c = cos(eps[s]), si = sin(eps[s]);
        const double fx = z[0], fz = z[1], wx = z[3], wz = z[4];
        z[0] = fx * c - fz * si, z[1] = fx * si + fz * c;
        z[3] = wx * c - wz * si, z[4] = wx * si + wz * c;
    }
    memset(C, 0, sizeof(double) * SUMMED);
    memset(again, 0, sizeof(double) * 3);
    for (int s = 0; s + 1 < rows; s++) {
        const double dt = t[s + 1] - t[s], *z = Z + SUMMED * s, *next = z + SUMMED;
        double *sum = C + SUMMED * s, *more = again + 3 * s;
        for (int c = 0; c < SUMMED; c++)
            sum[SUMMED + c] = sum[c] + (next[c] + z[c]) * (0.5 * dt);
        for (int c = 0; c < 3; c++)
            more[3 + c] = more[c] + (sum[c] + dt * ((1.0 / 3.0) * z[c] + (1.0 / 6.0) * next[c])) * dt;
    }
    for (int k = 0; k <= K; k++) {
        const int s = at[2 * k];
        const double h = ahead[2 * k], *z = Z + SUMMED * s, *sum = C + SUMMED * s, *more = again + 3 * s;
        double change[SUMMED];
        for (int c = 0; c < SUMMED; c++) {
            change[c] = half[2 * k] * (z[SUMMED + c] - z[c]);
            edges[k][c] = sum[c] + h * (z[c] + change[c]);
        }
        for (int c = 0; c < 3; c++)
            edges[k][7 + c] = more[c] + h * (sum[c] + h * (0.5 * z[c] + (1.0 / 3.0) * change[c]));
    }
    double shake = 0.0;
    for (int k = 0; k < K; k++) {
        double D[SUMS];
        for (int c = 0; c < SUMS; c++)
            D[c] = edges[k + 1][c] - edges[k][c];
        for (int c = 0; c < 3; c++)
            D[7 + c] = T * edges[k + 1][c] - D[7 + c];
        for (int c = 0; c < SUMS; c++)
            D[c] *= c < 7 ? over : over * over;
        /* Back from the common axes into those of the epoch's middle. */
        const double c = cos(turned[2 * k + 1]), s = -sin(turned[2 * k + 1]);
        to.force[k] = CMPLX(D[0] * c - D[1] * s, D[0] * s + D[1] * c);
        to.rate[k] = CMPLX(D[3] * c - D[4] * s, D[3] * s + D[4] * c);
        to.moment[k] = CMPLX(D[7] * c - D[8] * s, D[7] * s + D[8] * c);
        to.force_y[k] = D[2], to.rate_y[k] = D[5], to.moment_y[k] = D[9];
        shake += fmax(D[6] - D[0] * D[0] - D[1] * D[1] - D[2] * D[2], 0.0);
    }
    *to.shake = shake / K;
    *to.step = (t[rows - 1] - t[0]) / (rows - 1);
    return at[last];
}

PyDoc_STRVAR(block_doc,
"block(rows, start, epochs, epoch_s, turn, offset)\n\n"
"Args: rows: list of N arrays (M, 10) as `SampleBuffer.rows` gives them; turn (N, 6, 6), offset (N, 6).\n"
"Returns: force, force_y, moment, moment_y, rate, rate_y, force_slope, rate_slope, shake, step, turned as in\n"
"`EpochBlock`, and the list of how many samples are used up.");

static PyObject *block(PyObject *module, PyObject *const *args, Py_ssize_t given)
{
    Frame frame = {0};
    PyObject *found[11] = {0}, *done = NULL, *result = NULL;
    double *space = NULL;
    (void)module;
    if (given != 6 || !PyList_Check(args[0])) {
        PyErr_SetString(PyExc_TypeError, "block(rows, start, epochs, epoch_s, turn, offset)");
        return NULL;
    }
    const npy_intp n = PyList_GET_SIZE(args[0]);
    const double start = PyFloat_AsDouble(args[1]), T = PyFloat_AsDouble(args[3]);
    const long K = PyLong_AsLong(args[2]);
    if (PyErr_Occurred())
        return NULL;
    if (K < 1 || K > MOST_EPOCHS) {
        PyErr_Format(PyExc_ValueError, "1 to %d epochs expected, found %ld", MOST_EPOCHS, K);
        return NULL;
    }
    const double *turn = reals(&frame, args[4], 36 * n, "turn"), *offset = reals(&frame, args[5], 6 * n, "offset");
    cplx *force = made(&frame, &found[0], NPY_CDOUBLE, n, K, 0);
    double *force_y = made(&frame, &found[1], NPY_DOUBLE, n, K, 0);
    cplx *moment = made(&frame, &found[2], NPY_CDOUBLE, n, K, 0);
    double *moment_y = made(&frame, &found[3], NPY_DOUBLE, n, K, 0);
    cplx *rate = made(&frame, &found[4], NPY_CDOUBLE, n, K, 0);
    double *rate_y = made(&frame, &found[5], NPY_DOUBLE, n, K, 0);
    double *force_slope = made(&frame, &found[6], NPY_DOUBLE, n, 3, 0);
    double *rate_slope = made(&frame, &found[7], NPY_DOUBLE, n, 3, 0);
    double *shake = made(&frame, &found[8], NPY_DOUBLE, n, 0, 0);
    double *step = made(&frame, &found[9], NPY_DOUBLE, n, 0, 0);
    double *raw = made(&frame, &found[10], NPY_DOUBLE, n, 3, 0);
    if (frame.failed || (done = PyList_New(n)) == NULL)
        goto end;
    for (npy_intp i = 0; i < n; i++) {
        PyObject *own = PyList_GET_ITEM(args[0], i);
        if (!PyArray_Check(own) || PyArray_TYPE((PyArrayObject *)own) != NPY_DOUBLE ||
            !PyArray_IS_C_CONTIGUOUS((PyArrayObject *)own) || PyArray_NDIM((PyArrayObject *)own) != 2 ||
            PyArray_DIM((PyArrayObject *)own, 1) != ROW || PyArray_DIM((PyArrayObject *)own, 0) < 2) {
            PyErr_Format(PyExc_ValueError, "rows of sensor %zd: two samples of %d numbers or more expected",
                         (Py_ssize_t)i, ROW);
            goto end;
        }
        const int rows = (int)PyArray_DIM((PyArrayObject *)own, 0);
        double *more = PyMem_Realloc(space, SPACE(rows) * sizeof(double));
        if (more == NULL) {
            PyErr_NoMemory();
            goto end;
        }
        space = more;
        Sums to = {force + i * K, moment + i * K, rate + i * K, force_y + i * K, moment_y + i * K,
                   rate_y + i * K, force_slope + 3 * i, rate_slope + 3 * i, shake + i, step + i, raw + 3 * i};
        const int used = sum_up(PyArray_DATA((PyArrayObject *)own), rows, start, (int)K, T, turn + 36 * i,
                                offset + 6 * i, space, to);
        PyList_SET_ITEM(done, i, PyLong_FromLong(used));
    }
    result = Py_BuildValue("(OOOOOOOOOOOO)", found[0], found[1], found[2], found[3], found[4], found[5], found[6],
                           found[7], found[8], found[9], found[10], done);
end:
    PyMem_Free(space);
    Py_XDECREF(done);
    for (int k = 0; k < 11; k++)
        Py_XDECREF(found[k]);
    let_go(&frame);
    return result;
}
