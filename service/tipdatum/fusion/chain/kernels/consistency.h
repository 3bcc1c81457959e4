/* Whether sensors agree; the twins of `Consistency._compare` and `Consistency._apart` (consistency.py). */

#define RING 64

typedef struct {
    double alone_s, least_blocks, least_share, hammered, slow, unseen, together, found_s, found_wider;
    double window[3][3]; /* span, base, shaken */
} Rules;

typedef struct {
    int n;
    const double *span, *unknown, *shake, *unseen, *carried;
} Ring;

/* The middle of `count` values, which are sorted; of two the one nearer to nought, nought between signs. */
static double middle(double *values, int count)
{
    if (count == 2) {
        const double least = fmin(values[0], values[1]), most = fmax(values[0], values[1]);
        return fmax(least, 0.0) + fmin(most, 0.0);
    }
    for (int k = 1; k < count; k++) {
        const double one = values[k];
        int p = k;
        for (; p > 0 && values[p - 1] > one; p--)
            values[p] = values[p - 1];
        values[p] = one;
    }
    return count % 2 ? values[count / 2] : 0.5 * (values[count / 2 - 1] + values[count / 2]);
}

static double mean_shake(Ring ring, const int *blocks, int count, int i)
{
    double sum = 0.0;
    for (int k = 0; k < count; k++)
        sum += ring.shake[blocks[k] * ring.n + i];
    return sum / count;
}

/* What stays of the innovations over what may, without and with what all have in common; the largest is kept. */
static void stays(Ring ring, const int *blocks, int count, const double window[3], const int *shaken, int shaking,
                  int blow, int stands, Rules r, double *ratio, double *whole)
{
    const int n = ring.n;
    double left[MOST_SENSORS][3], gate[MOST_SENSORS], hidden[MOST_SENSORS], values[RING], all = 0.0, span = 0.0;
    double carried[MOST_SENSORS];
    for (int i = 0; i < n; i++) {
        gate[i] = window[1] + window[2] * sqrt(mean_shake(ring, shaken, shaking, i));
        if (blow) {
            const double spread = sqrt(mean_shake(ring, blocks, count, i));
            gate[i] += spread > r.hammered ? spread : 0.0;
        }
        hidden[i] = carried[i] = 0.0;
        for (int k = 0; k < count; k++) {
            hidden[i] = fmax(hidden[i], ring.unseen[blocks[k] * n + i]);
            carried[i] = fmax(carried[i], ring.carried[blocks[k] * n + i]);
        }
        all = fmax(all, hidden[i]);
    }
    for (int k = 0; k < count; k++)
        span += ring.span[blocks[k]];
    double least[3], most[3];
    for (int i = 0; i < n; i++) {
        /* What hangs on a body whose turning is told badly, or not at all, is carried along unknown. */
        if (all > 0.0)
            gate[i] += r.slow + r.unseen * hidden[i] + carried[i] * (1.0 / window[0]);
        for (int a = 0; a < 3; a++) {
            double mean = 0.0;
            for (int k = 0; k < count; k++) {
                values[k] = ring.unknown[(blocks[k] * n + i) * 3 + a];
                mean += ring.span[blocks[k]] * values[k];
            }
            mean *= 1.0 / span;
            double stay = middle(values, count);
            if (blow) {
                const double smaller = fabs(mean) < fabs(stay) ? mean : stay;
                stay = stay * mean > 0.0 ? smaller : 0.0;
            }
            left[i][a] = stay;
            least[a] = i ? fmin(least[a], stay) : stay;
            most[a] = i ? fmax(most[a], stay) : stay;
        }
    }
    for (int i = 0; i < n; i++) {
        double own = 0.0, apart = 0.0;
        for (int a = 0; a < 3; a++) {
            const double common = fmax(least[a], 0.0) + fmin(most[a], 0.0);
            own = fmax(own, fabs(left[i][a]));
            apart = fmax(apart, fabs(left[i][a] - common));
        }
        own /= gate[i];
        apart /= gate[i];
        const double together = own * (1.0 / r.together);
        if (n < 3)
            apart = together;
        else if (stands)
            apart = fmax(apart, together);
        ratio[i] = fmax(ratio[i], apart);
        whole[i] = fmax(whole[i], own);
    }
}

static int fills(Ring ring, const int *blocks, int count, double span, Rules r)
{
    double sum = 0.0;
    for (int k = 0; k < count; k++)
        sum += ring.span[blocks[k]];
    return sum > r.least_share * span - 1e-9;
}

PyDoc_STRVAR(compare_doc,
"compare(t, span, unknown, shake, unseen, carried, odd, now, since, found, stands, rules, windows)\n\n"
"Args: rings as `Consistency` has them; rules: (ALONE_S, LEAST_BLOCKS, LEAST_SHARE, HAMMERED_MPS2, SLOW_MPS2,\n"
"UNSEEN, TOGETHER, FOUND_S, FOUND_WIDER); windows: (9,).\n"
"Returns: ratios (2, N), alone (N,), vibration (N,) or None.");

static PyObject *compare(PyObject *module, PyObject *const *args, Py_ssize_t given)
{
    Frame frame = {0};
    PyObject *found = NULL, *of_alone = NULL, *vibration = NULL, *result = NULL;
    Rules r;
    (void)module;
    if (given != 13 || !PyArray_Check(args[3]) || PyArray_NDIM((PyArrayObject *)args[3]) != 2 ||
        !PyArg_ParseTuple(args[11], "ddddddddd", &r.alone_s, &r.least_blocks, &r.least_share, &r.hammered, &r.slow,
                          &r.unseen, &r.together, &r.found_s, &r.found_wider)) {
        if (!PyErr_Occurred())
            PyErr_SetString(PyExc_TypeError, "compare: thirteen arguments, shake (64, N)");
        return NULL;
    }
    const int n = (int)PyArray_DIM((PyArrayObject *)args[3], 1);
    const double now = PyFloat_AsDouble(args[7]), since = PyFloat_AsDouble(args[8]);
    const double anew = PyFloat_AsDouble(args[9]), moved = PyFloat_AsDouble(args[10]);
    if (PyErr_Occurred())
        return NULL;
    if (n < 1 || n > MOST_SENSORS) {
        PyErr_Format(PyExc_ValueError, "%d sensors are too many", n);
        return NULL;
    }
    const double *t = reals(&frame, args[0], RING, "t");
    const Ring ring = {n, reals(&frame, args[1], RING, "span"), reals(&frame, args[2], RING * n * 3, "unknown"),
                       reals(&frame, args[3], RING * n, "shake"), reals(&frame, args[4], RING * n, "unseen"),
                       reals(&frame, args[5], RING * n, "carried")};
    const double *odd = reals(&frame, args[6], RING * 2 * n, "odd");
    const double *windows = reals(&frame, args[12], 9, "windows");
    double *both = made(&frame, &found, NPY_DOUBLE, 2, n, 0), *alone = made(&frame, &of_alone, NPY_DOUBLE, n, 0, 0);
    if (frame.failed)
        goto end;
    memcpy(r.window, windows, sizeof r.window);

    int newest[RING], recent[RING], whole[RING], new = 0, late = 0, many = 0;
    double *ratio = both, *with_all = both + n;
    for (int k = 0; k < RING; k++) {
        if (!(t[k] > since))
            continue;
        const double age = now - t[k];
        if (age < r.window[0][0])
            newest[new++] = k;
        if (age < r.alone_s)
            recent[late++] = k;
        if (age < r.window[2][0])
            whole[many++] = k;
    }
    /* A shock of just before still shows in the innovations. */
    if (new > 1 && fills(ring, newest, new, r.window[0][0], r))
        stays(ring, newest, new, r.window[0], recent, late, 1, 0, r, ratio, with_all);
    if (late >= r.least_blocks || (late > 1 && fills(ring, recent, late, r.alone_s, r))) {
        double *shaken = made(&frame, &vibration, NPY_DOUBLE, n, 0, 0), values[RING];
        if (frame.failed)
            goto end;
        stays(ring, recent, late, r.window[1], recent, late, 0, 0, r, ratio, with_all);
        for (int i = 0; i < n; i++) {
            shaken[i] = sqrt(mean_shake(ring, recent, late, i));
            for (int part = 0; part < 2; part++) {
                for (int k = 0; k < late; k++)
                    values[k] = odd[(recent[k] * 2 + part) * n + i];
                alone[i] = fmax(alone[i], fabs(middle(values, late)));
            }
        }
    }
    if (now - r.window[2][0] > since)
        stays(ring, whole, many, r.window[2], whole, many, 0, now - moved > r.window[2][0], r, ratio, with_all);
    if (now - anew < r.found_s)
        for (int k = 0; k < 2 * n; k++)
            both[k] *= 1.0 / r.found_wider;
    result = Py_BuildValue("(OOO)", found, of_alone, vibration == NULL ? Py_None : vibration);
end:
    Py_XDECREF(found);
    Py_XDECREF(of_alone);
    Py_XDECREF(vibration);
    let_go(&frame);
    return result;
}

PyDoc_STRVAR(apart_doc,
"apart(roll, plane, gyro, rate, unseen, rules)\n\n"
"Args: roll, plane: (N,) rad/s; gyro: (N,) bool; rate: (N, 3) rad/s; unseen: rad/s, what samples may leave out;\n"
"rules: (ODD_RADPS, ODD_SHARE).\n"
"Returns: (2, N) how far each gyro is from the median of all, in what it may be.");

static PyObject *apart(PyObject *module, PyObject *const *args, Py_ssize_t given)
{
    Frame frame = {0};
    PyObject *found = NULL;
    double radps, share;
    (void)module;
    if (given != 6 || !PyArray_Check(args[0]) || !PyArg_ParseTuple(args[5], "dd", &radps, &share)) {
        if (!PyErr_Occurred())
            PyErr_SetString(PyExc_TypeError, "apart: six arguments");
        return NULL;
    }
    const int n = (int)PyArray_SIZE((PyArrayObject *)args[0]);
    const double unseen = PyFloat_AsDouble(args[4]);
    if (PyErr_Occurred())
        return NULL;
    if (n < 1 || n > MOST_SENSORS) {
        PyErr_Format(PyExc_ValueError, "%d sensors are too many", n);
        return NULL;
    }
    const double *told[2] = {reals(&frame, args[0], n, "roll"), reals(&frame, args[1], n, "plane")};
    const npy_bool *gyro = of_type(&frame, args[2], NPY_BOOL, n, "gyro");
    const double *rate = reals(&frame, args[3], 3 * n, "rate");
    double *odd = made(&frame, &found, NPY_DOUBLE, 2, n, 0);
    int spoke = 0;
    double fastest = 0.0, values[MOST_SENSORS];
    for (int i = 0; !frame.failed && i < n; i++)
        if (gyro[i]) {
            spoke++;
            for (int a = 0; a < 3; a++)
                fastest = fmax(fastest, fabs(rate[3 * i + a]));
        }
    for (int part = 0; spoke > 2 && part < 2; part++) {
        int count = 0;
        for (int i = 0; i < n; i++)
            if (gyro[i])
                values[count++] = told[part][i];
        const double common = middle(values, count);
        for (int i = 0; i < n; i++)
            if (gyro[i])
                odd[part * n + i] = (told[part][i] - common) * (1.0 / (radps + share * fastest + unseen));
    }
    let_go(&frame);
    if (frame.failed)
        Py_CLEAR(found);
    return found;
}
