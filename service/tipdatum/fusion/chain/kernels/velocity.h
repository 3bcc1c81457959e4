/* Velocities by the chain, and what they and the gyros are compared with; the twin of `VelocityRows`
   (measurement.py), `LeverArms` (levers.py) and `GyroRows` (rows.py). */

PyDoc_STRVAR(foresee_doc,
"foresee(x, ways, own, y, follow, offset, epochs, before, epoch_s, on_upper)\n\n"
"Args: ways (N, B), own (N,), y (N,), follow (B, N), offset (B,) as in `Levers`; epochs: (theta, turn,\n"
"tangent, rates); before: (N, 3) or None.\n"
"Returns: mean, last, change as in `Expected`; ways and y corrected.");

static PyObject *foresee(PyObject *module, PyObject *const *args, Py_ssize_t given)
{
    Frame frame = {0};
    PyObject *found[5] = {0}, *e[4], *result = NULL;
    (void)module;
    if (given != 10 || !PyArg_ParseTuple(args[6], "OOOO", &e[0], &e[1], &e[2], &e[3]) || !PyArray_Check(e[0]) ||
        PyArray_NDIM((PyArrayObject *)e[0]) != 2 || !PyArray_Check(args[5])) {
        if (!PyErr_Occurred())
            PyErr_SetString(PyExc_TypeError, "foresee: ten arguments, theta (N, K)");
        return NULL;
    }
    const int n = (int)PyArray_DIM((PyArrayObject *)e[0], 0), K = (int)PyArray_DIM((PyArrayObject *)e[0], 1);
    const int B = (int)PyArray_SIZE((PyArrayObject *)args[5]);
    const Places at = places_of(n);
    const double T = PyFloat_AsDouble(args[8]);
    const int on_upper = PyObject_IsTrue(args[9]);
    if (PyErr_Occurred())
        return NULL;
    if (n < 1 || n > MOST_SENSORS || B < 1 || B > MOST_SENSORS || K < 1 || K > MOST_EPOCHS) {
        PyErr_Format(PyExc_ValueError, "%d sensors, %d bodies and %d epochs are too many", n, B, K);
        return NULL;
    }
    const double *x = reals(&frame, args[0], at.size, "x");
    const cplx *ways = complexes(&frame, args[1], n * B, "ways");
    const npy_intp *own = of_type(&frame, args[2], NPY_INTP, n, "own");
    const double *y = reals(&frame, args[3], n, "y"), *follow = reals(&frame, args[4], B * n, "follow");
    const double *offset = reals(&frame, args[5], B, "offset"), *theta = reals(&frame, e[0], n * K, "theta");
    const cplx *turn = complexes(&frame, e[1], n * K, "turn");
    const double *tangent = reals(&frame, e[2], K, "tangent"), *rates = reals(&frame, e[3], at.rho * K, "rates");
    const double *before = args[7] == Py_None ? NULL : reals(&frame, args[7], 3 * n, "before");
    double *mean = made(&frame, &found[0], NPY_DOUBLE, n, 3, 0), *last = made(&frame, &found[1], NPY_DOUBLE, n, 3, 0);
    double *change = made(&frame, &found[2], NPY_DOUBLE, n, 3, 0);
    cplx *now = made(&frame, &found[3], NPY_CDOUBLE, n, B, 0);
    double *across = made(&frame, &found[4], NPY_DOUBLE, n, 0, 0);
    if (frame.failed)
        goto end;

    memcpy(now, ways, sizeof(cplx) * n * B);
    for (int i = 0; i < n; i++) {
        const double *lever = x + at.constants + PER_SENSOR * i + LEVER;
        if (own[i] < 0 || own[i] >= B) {
            PyErr_SetString(PyExc_ValueError, "own: a body beyond the last");
            goto end;
        }
        now[i * B + own[i]] += CMPLX(lever[0], lever[2]);
        across[i] = y[i] + lever[1];
    }
    /* The pivot stays on the ground while the upper slews over it. */
    double slewing[MOST_EPOCHS], slewed[MOST_EPOCHS];
    for (int k = 0; k < K; k++)
        slewing[k] = rates[K + k] * creal(turn[k]) - rates[k] * cimag(turn[k]);
    to_middle(slewing, K, T, slewed);
    for (int k = 0; k < K; k++) {
        const double roll_rate = rates[k], plane_rate = rates[K + k], spin = tangent[k] * plane_rate;
        cplx turned[MOST_SENSORS], moved[MOST_SENSORS], rocked = 0.0;
        for (int b = 0; b < B; b++) {
            double angle = offset[b], rate = 0.0;
            for (int i = 0; i < n; i++) {
                angle += follow[b * n + i] * theta[i * K + k];
                rate += follow[b * n + i] * rates[(2 + i) * K + k];
            }
            turned[b] = CMPLX(cos(angle), sin(angle));
            moved[b] = turned[b] * (rate - spin);
        }
        if (on_upper) {
            const double c = cos(slewed[k]), s = sin(slewed[k]), px = x[at.pivot], py = x[at.pivot + 1];
            const double a = px * c + py * s, b = py * c - px * s;
            const double x_rate = roll_rate * creal(turn[k]) + plane_rate * cimag(turn[k]);
            const double y_rate = spin - rates[2 * K + k];
            rocked = CMPLX(-cimag(turn[k]), creal(turn[k])) * (y_rate * a - x_rate * b);
        }
        for (int i = 0; i < n; i++) {
            cplx p = 0.0, v = 0.0;
            for (int b = 0; b < B; b++) {
                p += now[i * B + b] * turned[b];
                v += now[i * B + b] * moved[b];
            }
            const cplx along = CMPLX(-cimag(v) - across[i] * plane_rate, creal(v) + across[i] * roll_rate) + rocked;
            const double side = plane_rate * creal(p) - roll_rate * cimag(p);
            mean[3 * i] += creal(along) * (1.0 / K);
            mean[3 * i + 1] += side * (1.0 / K);
            mean[3 * i + 2] += cimag(along) * (1.0 / K);
            if (k == K - 1)
                last[3 * i] = creal(along), last[3 * i + 1] = side, last[3 * i + 2] = cimag(along);
        }
    }
    if (before != NULL)
        for (int a = 0; a < 3 * n; a++)
            change[a] = (last[a] - before[a]) / (K * T);
    result = Py_BuildValue("(OOOOO)", found[0], found[1], found[2], found[3], found[4]);
end:
    for (int k = 0; k < 5; k++)
        Py_XDECREF(found[k]);
    let_go(&frame);
    return result;
}

/* How an arm moves in the mean over a block. */
typedef struct {
    const double *theta, *rho, *to_plane;
    double tangent;
} Mean;

/* ∂v̂/∂y, (3N, 8 + 2N), y = (ρ, θ, tan φ, base, pivot); see `LeverArms.jacobian` and `VelocityRows._rock`. */
static void by_chain(int n, int B, const cplx *ways, const double *y, const double *follow, const double *offset,
                     Mean m, int geometry, const double *pivot, double *J)
{
    const int rho = 2 + n, tan_at = rho + n, base = tan_at + 1, width = base + 5;
    const double roll_rate = m.rho[0], plane_rate = m.rho[1], t = m.tangent;
    cplx turn[MOST_SENSORS];
    memset(J, 0, sizeof(double) * 3 * n * width);
    for (int b = 0; b < B; b++) {
        double angle = offset[b];
        for (int i = 0; i < n; i++)
            angle += follow[b * n + i] * m.theta[i];
        turn[b] = CMPLX(cos(angle), sin(angle));
    }
    for (int i = 0; i < n; i++) {
        double *h = J + 3 * i * width, *s = h + width, *z = s + width;
        cplx p = 0.0, own[MOST_SENSORS];
        memset(own, 0, sizeof own);
        for (int b = 0; b < B; b++) {
            const cplx way = ways[i * B + b] * turn[b];
            p += way;
            for (int k = 0; k < n; k++)
                own[k] += way * follow[b * n + k];
        }
        s[0] = -cimag(p), z[0] = y[i];
        h[1] = t * cimag(p) - y[i], s[1] = creal(p), z[1] = -t * creal(p);
        for (int k = 0; k < n; k++) {
            h[2 + k] = -cimag(own[k]);
            z[2 + k] = creal(own[k]);
            if (geometry) {
                const double rate = t * plane_rate - m.rho[2 + k];
                h[rho + k] = creal(own[k]) * rate;
                s[rho + k] = -roll_rate * creal(own[k]) - plane_rate * cimag(own[k]);
                z[rho + k] = cimag(own[k]) * rate;
            }
        }
        if (geometry)
            h[tan_at] = plane_rate * cimag(p), z[tan_at] = -plane_rate * creal(p);
        h[base] = s[base + 1] = z[base + 2] = 1.0;
        if (pivot != NULL) {
            const double c = m.to_plane[0], si = m.to_plane[6], a = pivot[0], b = pivot[1];
            const double x_rate = roll_rate * c + plane_rate * si, y_rate = t * plane_rate - m.rho[2];
            const double speed = y_rate * a - x_rate * b, turning = b * (roll_rate * si - plane_rate * c);
            const double by[3] = {-b * c, t * a - si * b, -a}, by_tan = plane_rate * a;
            for (int k = 0; k < 3; k++) {
                h[k] -= si * by[k];
                z[k] += c * by[k];
            }
            h[rho] -= si * turning + c * speed;
            z[rho] += c * turning - si * speed;
            h[tan_at] -= si * by_tan;
            z[tan_at] += c * by_tan;
            h[base + 3] = -si * y_rate, h[base + 4] = si * x_rate;
            z[base + 3] = c * y_rate, z[base + 4] = -c * x_rate;
        }
    }
}

/* The rows of the Jacobian H (3N, n) of the velocities; see `VelocityRows._by_state`. */
static void velocities_by_state(Places at, const double *J, const double *state, const double *F, Mean m,
                                double *H)
{
    const int n = at.n, rho = at.rho, tan_at = rho + n, base = tan_at + 1, width = base + 5;
    for (int r = 0; r < 3 * n; r++) {
        const int i = r / 3, a = r % 3;
        const double *j = J + r * width, *R = m.to_plane + 9 * i;
        double *row = H + r * at.size, turning[3][3];
        for (int k = 0; k < rho; k++)
            if (j[k] != 0.0)
                add_times(row, -j[k], state + k * at.size, at.size);
        for (int k = 0; k < n; k++)
            row[k] -= j[rho + k];
        row[at.roll] -= j[tan_at] * (1.0 + m.tangent * m.tangent);
        for (int k = 0; k < 5; k++)
            row[at.base + k] -= j[base + k];
        add_times(row, -0.5, F + (at.velocity + r) * at.size, at.size);
        /* Each body turns with the plane, and in it about -y. */
        const double omega[3] = {m.rho[0], m.tangent * m.rho[1] - m.rho[2 + i], m.rho[1]};
        crossing(omega, turning);
        for (int c = 0; c < 3; c++) {
            row[at.constants + PER_SENSOR * i + LEVER + c] -=
                turning[a][0] * R[c] + turning[a][1] * R[3 + c] + turning[a][2] * R[6 + c];
            /* The velocity's own column: half of it was taken off with F. */
            row[at.velocity + 3 * i + c] = a == c;
        }
    }
}

/* Noise of the rates, through the chain, in the velocities: J_ρ G diag(variance) Gᵀ J_ρᵀ into R (m, m). */
static void noise_of_rates(int n, int m, const double *J, int width, const double *gyros, const double *variance,
                           double *R)
{
    const int rho = 2 + n, v = 3 * n;
    double of_rates[2 + MOST_SENSORS][2 + MOST_SENSORS], through[2 + MOST_SENSORS];
    for (int a = 0; a < rho; a++)
        for (int b = 0; b <= a; b++) {
            double sum = 0.0;
            for (int k = 0; k < v; k++)
                sum += gyros[a * v + k] * variance[k] * gyros[b * v + k];
            of_rates[a][b] = of_rates[b][a] = sum;
        }
    for (int r = 0; r < v; r++) {
        for (int b = 0; b < rho; b++) {
            double sum = 0.0;
            for (int a = 0; a < rho; a++)
                sum += J[r * width + a] * of_rates[a][b];
            through[b] = sum;
        }
        for (int s = 0; s <= r; s++) {
            double sum = 0.0;
            for (int b = 0; b < rho; b++)
                sum += through[b] * J[s * width + b];
            R[r * m + s] = R[s * m + r] = sum;
        }
    }
}

/* Gyros against each other, 2(N - 1) rows from 3N on; see `GyroRows.fill`. */
static void compare_gyros(Places at, int m, const double *roll_rate, const double *plane_rate,
                          const double *constants, const double *noise, const double *missed, double span,
                          double *z, double *H, double *R)
{
    const int n = at.n, pairs = n - 1;
    for (int j = 0; j < pairs; j++) {
        const int rows[2] = {3 * n + j, 3 * n + pairs + j};
        z[rows[0]] = roll_rate[j] - roll_rate[j + 1];
        z[rows[1]] = plane_rate[j] - plane_rate[j + 1];
        for (int end = 0; end < 2; end++) {
            const int i = j + end;
            const double sign = end ? 1.0 : -1.0, *by = constants + 2 * OF_GYRO * i;
            for (int k = 0; k < 2; k++)
                add_times(H + rows[k] * at.size + at.constants + PER_SENSOR * i, sign, by + OF_GYRO * k, OF_GYRO);
            H[rows[0] * at.size + i] = -sign * plane_rate[i];
            H[rows[1] * at.size + i] = sign * roll_rate[i];
        }
        for (int k = 0; k < pairs; k++) {
            double of_both = noise[j * pairs + k];
            if (j == k)
                of_both += (missed[2 * j + 1] + missed[2 * j + 3]) / span;
            else if (j == k + 1)
                of_both -= missed[2 * j + 1] / span;
            else if (k == j + 1)
                of_both -= missed[2 * k + 1] / span;
            for (int part = 0; part < 2; part++)
                R[rows[part] * m + (part ? 3 * n + pairs : 3 * n) + k] = of_both;
        }
    }
}

PyDoc_STRVAR(measure_doc,
"measure(x, F, levers, expected, advanced, motion, missed, noise, span, geometry, on_upper)\n\n"
"Args: levers: (ways, y, follow, offset) as corrected; expected: (mean, change); advanced: (N, 3) mean\n"
"velocities; motion: (theta, rates, body_rate, to_plane, roll_rate, plane_rate, tangent, state, gyros,\n"
"constants); missed: (N, 2); noise: (rate_variance (3N,), of_times (N,), link share, floor, noise of\n"
"pairs of gyros).\n"
"Returns: z, H, R of `Measurement`.");

static PyObject *measure(PyObject *module, PyObject *const *args, Py_ssize_t given)
{
    Frame frame = {0};
    PyObject *found[3] = {0}, *l[4], *e[2], *m[10], *o[5], *result = NULL;
    double *J = NULL;
    (void)module;
    if (given != 11 || !PyArg_ParseTuple(args[2], "OOOO", &l[0], &l[1], &l[2], &l[3]) ||
        !PyArg_ParseTuple(args[3], "OO", &e[0], &e[1]) ||
        !PyArg_ParseTuple(args[5], "OOOOOOOOOO", &m[0], &m[1], &m[2], &m[3], &m[4], &m[5], &m[6], &m[7], &m[8],
                          &m[9]) ||
        !PyArg_ParseTuple(args[7], "OOOOO", &o[0], &o[1], &o[2], &o[3], &o[4]) || !PyArray_Check(m[0]) ||
        !PyArray_Check(l[3])) {
        if (!PyErr_Occurred())
            PyErr_SetString(PyExc_TypeError, "measure: eleven arguments");
        return NULL;
    }
    const int n = (int)PyArray_SIZE((PyArrayObject *)m[0]), B = (int)PyArray_SIZE((PyArrayObject *)l[3]);
    const Places at = places_of(n);
    const int rows = 3 * n + 2 * (n - 1), width = at.rho + n + 6;
    const double span = PyFloat_AsDouble(args[8]), share = PyFloat_AsDouble(o[2]), floor = PyFloat_AsDouble(o[3]);
    const int geometry = PyObject_IsTrue(args[9]), on_upper = PyObject_IsTrue(args[10]);
    Mean mean;
    mean.tangent = PyFloat_AsDouble(m[6]);
    if (PyErr_Occurred())
        return NULL;
    if (n < 1 || n > MOST_SENSORS || B < 1 || B > MOST_SENSORS) {
        PyErr_Format(PyExc_ValueError, "%d sensors and %d bodies are too many", n, B);
        return NULL;
    }
    const double *x = reals(&frame, args[0], at.size, "x"), *F = reals(&frame, args[1], at.dynamic * at.size, "F");
    const cplx *ways = complexes(&frame, l[0], n * B, "ways");
    const double *y = reals(&frame, l[1], n, "y"), *follow = reals(&frame, l[2], B * n, "follow");
    const double *offset = reals(&frame, l[3], B, "offset");
    const double *expected = reals(&frame, e[0], 3 * n, "expected"), *change = reals(&frame, e[1], 3 * n, "change");
    const double *advanced = reals(&frame, args[4], 3 * n, "advanced");
    const double *body_rate = reals(&frame, m[2], 3 * n, "body_rate");
    mean.theta = reals(&frame, m[0], n, "theta");
    mean.rho = reals(&frame, m[1], at.rho, "rates");
    mean.to_plane = reals(&frame, m[3], 9 * n, "to_plane");
    const double *roll_rate = reals(&frame, m[4], n, "roll_rate"), *plane_rate = reals(&frame, m[5], n, "plane_rate");
    const double *state = reals(&frame, m[7], at.rho * at.size, "state");
    const double *gyros = reals(&frame, m[8], at.rho * 3 * n, "gyros");
    const double *constants = reals(&frame, m[9], 2 * OF_GYRO * n, "constants");
    const double *missed = reals(&frame, args[6], 2 * n, "missed");
    const double *rate_variance = reals(&frame, o[0], 3 * n, "rate_variance");
    const double *of_times = reals(&frame, o[1], n, "of_times");
    const double *pairs = reals(&frame, o[4], (n - 1) * (n - 1), "noise of pairs");
    double *z = made(&frame, &found[0], NPY_DOUBLE, rows, 0, 0);
    double *H = made(&frame, &found[1], NPY_DOUBLE, rows, at.size, 0);
    double *R = made(&frame, &found[2], NPY_DOUBLE, rows, rows, 0);
    if (frame.failed)
        goto end;
    if ((J = PyMem_Malloc(sizeof(double) * 3 * n * width)) == NULL) {
        PyErr_NoMemory();
        goto end;
    }

    double variance[3 * MOST_SENSORS];
    for (int k = 0; k < 3 * n; k++)
        variance[k] = rate_variance[k] + missed[2 * (k / 3) + 1] / span;
    by_chain(n, B, ways, y, follow, offset, mean, geometry, on_upper ? x + at.pivot : NULL, J);
    velocities_by_state(at, J, state, F, mean, H);
    noise_of_rates(n, rows, J, width, gyros, variance, R);
    for (int i = 0; i < n; i++) {
        const double *w = body_rate + 3 * i;
        const double of_links = share * (w[0] * w[0] + w[1] * w[1] + w[2] * w[2]) + floor;
        for (int a = 0; a < 3; a++) {
            const int r = 3 * i + a;
            z[r] = expected[r] - advanced[r] + x[at.base + a];
            R[r * rows + r] += change[r] * change[r] * of_times[i] + of_links;
        }
    }
    compare_gyros(at, rows, roll_rate, plane_rate, constants, pairs, missed, span, z, H, R);
    result = Py_BuildValue("(OOO)", found[0], found[1], found[2]);
end:
    PyMem_Free(J);
    for (int k = 0; k < 3; k++)
        Py_XDECREF(found[k]);
    let_go(&frame);
    return result;
}
