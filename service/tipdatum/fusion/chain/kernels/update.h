/* Covariance of the innovations and the update by them; the twins of `ChainFilter._covariance`, `_shocked`
   (filter.py) and `update` (update.py). */

PyDoc_STRVAR(innovate_doc,
"innovate(P, H, R, z, noise)\n\n"
"Args: P: (n, n); H: (m, n); R: (m, m); z: (m,); noise: (3N,) (m/s)², added to the velocities in the block.\n"
"Returns H P (m, n) without the part of the noise that it has in common with the mean, S (m, m) and the list\n"
"of the N sensors' squared, normalised innovations.");

static PyObject *innovate(PyObject *module, PyObject *const *args, Py_ssize_t given)
{
    Frame frame = {0};
    PyObject *with_state = NULL, *found = NULL, *distances = NULL, *result = NULL;
    (void)module;
    if (given != 5 || !PyArray_Check(args[1]) || PyArray_NDIM((PyArrayObject *)args[1]) != 2 ||
        !PyArray_Check(args[4])) {
        PyErr_SetString(PyExc_TypeError, "innovate(P, H, R, z, noise)");
        return NULL;
    }
    const int m = (int)PyArray_DIM((PyArrayObject *)args[1], 0), size = (int)PyArray_DIM((PyArrayObject *)args[1], 1);
    const int v = (int)PyArray_SIZE((PyArrayObject *)args[4]), n = v / 3;
    const Places at = places_of(n);
    if (n < 1 || v != 3 * n || v > m || at.size > size) {
        PyErr_SetString(PyExc_ValueError, "innovate: more velocities than rows, or a smaller state");
        return NULL;
    }
    const double *P = reals(&frame, args[0], (npy_intp)size * size, "P");
    const double *H = reals(&frame, args[1], (npy_intp)m * size, "H"), *R = reals(&frame, args[2], m * m, "R");
    const double *z = reals(&frame, args[3], m, "z"), *noise = reals(&frame, args[4], v, "noise");
    double *HP = made(&frame, &with_state, NPY_DOUBLE, m, size, 0), *S = made(&frame, &found, NPY_DOUBLE, m, m, 0);
    if (frame.failed || (distances = PyList_New(n)) == NULL)
        goto end;
    times_covariance(H, m, P, size, HP);
    symmetric_product(HP, H, m, size, S);
    for (int k = 0; k < m * m; k++)
        S[k] += R[k];
    /* The mean velocity over a block holds a third of the noise that its end holds, and half in common. */
    for (int k = 0; k < v; k++) {
        HP[k * size + at.velocity + k] -= 0.5 * noise[k];
        S[k * m + k] -= (2.0 / 3.0) * noise[k];
    }
    for (int i = 0; i < n; i++) {
        const double *a = S + 3 * i * m + 3 * i, *b = a + m, *c = b + m, *d = z + 3 * i;
        const double A = b[1] * c[2] - b[2] * c[1], B = b[2] * c[0] - b[0] * c[2], C = b[0] * c[1] - b[1] * c[0];
        const double whole = a[0] * A + a[1] * B + a[2] * C;
        const double solved[3] = {
            (d[0] * A + d[1] * (a[2] * c[1] - a[1] * c[2]) + d[2] * (a[1] * b[2] - a[2] * b[1])) / whole,
            (d[0] * B + d[1] * (a[0] * c[2] - a[2] * c[0]) + d[2] * (a[2] * b[0] - a[0] * b[2])) / whole,
            (d[0] * C + d[1] * (a[1] * c[0] - a[0] * c[1]) + d[2] * (a[0] * b[1] - a[1] * b[0])) / whole};
        PyObject *distance = PyFloat_FromDouble(d[0] * solved[0] + d[1] * solved[1] + d[2] * solved[2]);
        if (distance == NULL)
            goto end;
        PyList_SET_ITEM(distances, i, distance);
    }
    result = Py_BuildValue("(OOO)", with_state, found, distances);
end:
    Py_XDECREF(with_state);
    Py_XDECREF(found);
    Py_XDECREF(distances);
    let_go(&frame);
    return result;
}

PyDoc_STRVAR(gain_doc,
"gain(x, P, HP, S, z)\n\n"
"With S = L Lᵀ: HP becomes W = L⁻¹ H P, x ← x + Wᵀ L⁻¹ z and P ← P - Wᵀ W. False where S is not positive\n"
"definite; then nothing has been changed.");

static PyObject *gain(PyObject *module, PyObject *const *args, Py_ssize_t given)
{
    Frame frame = {0};
    double *L = NULL;
    PyObject *result = NULL;
    (void)module;
    if (given != 5 || !PyArray_Check(args[0]) || !PyArray_Check(args[4])) {
        PyErr_SetString(PyExc_TypeError, "gain(x, P, HP, S, z)");
        return NULL;
    }
    const int size = (int)PyArray_SIZE((PyArrayObject *)args[0]), m = (int)PyArray_SIZE((PyArrayObject *)args[4]);
    double *x = changed(&frame, args[0], size, "x"), *P = changed(&frame, args[1], (npy_intp)size * size, "P");
    double *W = changed(&frame, args[2], (npy_intp)m * size, "HP");
    const double *S = reals(&frame, args[3], m * m, "S"), *z = reals(&frame, args[4], m, "z");
    if (frame.failed)
        goto end;
    if ((L = PyMem_Malloc(sizeof(double) * (m * m + m))) == NULL) {
        PyErr_NoMemory();
        goto end;
    }
    for (int r = 0; r < m; r++)
        for (int s = 0; s <= r; s++) {
            double sum = S[r * m + s];
            for (int k = 0; k < s; k++)
                sum -= L[r * m + k] * L[s * m + k];
            if (r != s)
                L[r * m + s] = sum / L[s * m + s];
            else if (sum > 0.0)
                L[r * m + r] = sqrt(sum);
            else {
                result = Py_NewRef(Py_False);
                goto end;
            }
        }
    double *u = L + m * m;
    for (int r = 0; r < m; r++) {
        double *row = W + r * size, sum = z[r];
        for (int k = 0; k < r; k++) {
            add_times(row, -L[r * m + k], W + k * size, size);
            sum -= L[r * m + k] * u[k];
        }
        const double over = 1.0 / L[r * m + r];
        for (int k = 0; k < size; k++)
            row[k] *= over;
        u[r] = sum * over;
    }
    for (int r = 0; r < m; r++)
        add_times(x, u[r], W + r * size, size);
    less_known(P, W, m, size);
    result = Py_NewRef(Py_True);
end:
    PyMem_Free(L);
    let_go(&frame);
    return result;
}
