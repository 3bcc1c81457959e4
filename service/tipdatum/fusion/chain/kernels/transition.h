/* From the start of a block to its end; the twin of `TransitionModel.forward` (transition.py) without the
   products with the covariance. */

/* ∂f by an accelerometer's constants, (3, 16), those from the latency on; see `constants.force_errors`. */
static void force_errors(const double force[3], const double *slope, double warmth, double by[3][OF_ACCEL])
{
    static const int ONE[3] = {0, 0, 1}, OTHER[3] = {1, 2, 2};
    double cross[3][3];
    memset(by, 0, sizeof(double) * 3 * OF_ACCEL);
    crossing(force, cross);
    for (int a = 0; a < 3; a++) {
        by[a][0] = slope[a];
        by[a][4 + a] = -1.0;
        by[a][7 + a] = -force[a];
        by[a][13 + a] = -warmth;
        for (int b = 0; b < 3; b++)
            by[a][1 + b] = -cross[a][b];
    }
    for (int s = 0; s < 3; s++) {
        by[ONE[s]][10 + s] = -force[OTHER[s]];
        by[OTHER[s]][10 + s] = -force[ONE[s]];
    }
}

/* What has been measured of a block: forces and moments in axes of the bodies, (N, K). */
typedef struct {
    const cplx *force, *moment, *turn;
    const double *force_y, *moment_y;
} Pushes;

/* Velocities (N, 3) at the end, from those at the start, and their means. */
static void integrate(int n, int K, double T, double g, const double *roll, const double *tangent,
                      const double *rates, Pushes by, double *v, double *mean)
{
    for (int k = 0; k < K; k++) {
        const double left = g * sin(roll[k]), up = g * cos(roll[k]);
        const double omega[3] = {rates[k], rates[K + k] * tangent[k], rates[K + k]};
        double turning[3][3], half[3][3], both[3][3], whole[3][3], other[3][3];
        crossing(omega, turning);
        for (int a = 0; a < 3; a++)
            for (int b = 0; b < 3; b++) {
                turning[a][b] *= -0.5 * T;
                half[a][b] = (a == b) - turning[a][b];
                other[a][b] = (a == b) + turning[a][b];
            }
        product(turning, half, both);
        for (int a = 0; a < 3; a++)
            for (int b = 0; b < 3; b++)
                whole[a][b] = (a == b) - 2.0 * both[a][b];
        for (int i = 0; i < n; i++) {
            const int at = i * K + k;
            const cplx force = by.force[at] * by.turn[at], moment = by.moment[at] * by.turn[at];
            const double push[3] = {creal(force), by.force_y[at] - left, cimag(force) - up};
            double *own = v + 3 * i, *sum = mean + 3 * i, moved[3], turned[3];
            row_times(own, whole, moved);
            row_times(push, half, turned);
            for (int a = 0; a < 3; a++)
                own[a] = moved[a] + T * turned[a];
            row_times(own, other, moved);
            sum[0] += moved[0] - T * creal(moment);
            sum[1] += moved[1] - T * (by.moment_y[at] - 0.5 * left);
            sum[2] += moved[2] - T * (cimag(moment) - 0.5 * up);
        }
    }
    for (int a = 0; a < 3 * n; a++)
        mean[a] *= 1.0 / K;
}

PyDoc_STRVAR(forward_doc,
"forward(x, F, epochs, mean, state, block, acceleration, warmth, epoch_s, gravity, on_upper)\n\n"
"Args: F: the entries that no block changes, completed here; epochs: (turn, roll, tangent, rates); mean:\n"
"(to_plane, rates, roll, tangent, theta_end, roll_end); block: (force, force_y, moment, moment_y,\n"
"force_slope). Changes x and F. Returns the velocities' means, (N, 3).");

static PyObject *forward(PyObject *module, PyObject *const *args, Py_ssize_t given)
{
    Frame frame = {0};
    PyObject *means = NULL, *e[4], *m[6], *b[5];
    (void)module;
    if (given != 11 || !PyArg_ParseTuple(args[2], "OOOO", &e[0], &e[1], &e[2], &e[3]) ||
        !PyArg_ParseTuple(args[3], "OOOOOO", &m[0], &m[1], &m[2], &m[3], &m[4], &m[5]) ||
        !PyArg_ParseTuple(args[5], "OOOOO", &b[0], &b[1], &b[2], &b[3], &b[4]) || !PyArray_Check(e[0]) ||
        PyArray_NDIM((PyArrayObject *)e[0]) != 2) {
        if (!PyErr_Occurred())
            PyErr_SetString(PyExc_TypeError, "forward: eleven arguments, turn (N, K)");
        return NULL;
    }
    const int n = (int)PyArray_DIM((PyArrayObject *)e[0], 0), K = (int)PyArray_DIM((PyArrayObject *)e[0], 1);
    const Places at = places_of(n);
    const double roll = PyFloat_AsDouble(m[2]), tangent = PyFloat_AsDouble(m[3]), roll_end = PyFloat_AsDouble(m[5]);
    const double T = PyFloat_AsDouble(args[8]), g = PyFloat_AsDouble(args[9]);
    const int on_upper = PyObject_IsTrue(args[10]);
    if (PyErr_Occurred())
        return NULL;
    if (n < 1 || n > MOST_SENSORS || K < 1 || K > MOST_EPOCHS) {
        PyErr_Format(PyExc_ValueError, "%d sensors and %d epochs are too many", n, K);
        return NULL;
    }
    double *x = changed(&frame, args[0], at.size, "x"), *F = changed(&frame, args[1], at.dynamic * at.size, "F");
    const Pushes by = {
        complexes(&frame, b[0], n * K, "force"), complexes(&frame, b[2], n * K, "moment"),
        complexes(&frame, e[0], n * K, "turn"), reals(&frame, b[1], n * K, "force_y"),
        reals(&frame, b[3], n * K, "moment_y")};
    const double *slope = reals(&frame, b[4], 3 * n, "force_slope"), *rolls = reals(&frame, e[1], K, "roll");
    const double *tangents = reals(&frame, e[2], K, "tangent"), *rates = reals(&frame, e[3], at.rho * K, "rates");
    const double *to_plane = reals(&frame, m[0], 9 * n, "to_plane"), *rho = reals(&frame, m[1], at.rho, "mean rates");
    const double *theta_end = reals(&frame, m[4], n, "theta_end");
    const double *state = reals(&frame, args[4], at.rho * at.size, "state");
    const double *pushed = reals(&frame, args[6], 3 * n, "acceleration"), *warmth = reals(&frame, args[7], n, "warmth");
    double *mean = made(&frame, &means, NPY_DOUBLE, n, 3, 0);
    if (frame.failed)
        goto end;

    const double span = K * T, roll_rate = rho[0], plane_rate = rho[1];
    double before[3 * MOST_SENSORS], *v = x + at.velocity;
    memcpy(before, v, sizeof(double) * 3 * n);
    integrate(n, K, T, g, rolls, tangents, rates, by, v, mean);

    for (int i = 0; i < n; i++)
        for (int k = 0; k < at.size; k++)
            F[i * at.size + k] = span * state[(2 + i) * at.size + k];
    for (int k = 0; k < at.size; k++)
        F[at.roll * at.size + k] = span * state[k];
    const double left = g * sin(roll), upward = g * cos(roll), *of_roll = F + at.roll * at.size;
    const double Wt[3][3] = {{0.0, plane_rate, -plane_rate * tangent},
                             {-plane_rate, 0.0, roll_rate},
                             {plane_rate * tangent, -roll_rate, 0.0}};
    double turning[3][3], rest[3][3], both[3][3];
    for (int a = 0; a < 3; a++)
        for (int c = 0; c < 3; c++) {
            turning[a][c] = 0.5 * span * Wt[a][c];
            rest[a][c] = (a == c) - turning[a][c];
        }
    product(turning, rest, both);
    for (int i = 0; i < n; i++) {
        const double *R = to_plane + 9 * i, *of_theta = F + i * at.size;
        double middle[3], plane[3], body[3], by_constants[3][OF_ACCEL];
        for (int a = 0; a < 3; a++)
            middle[a] = 0.5 * (before[3 * i + a] + v[3 * i + a]);
        /* The expected force, not the measured one, whose noise would correlate with the innovation. */
        row_times(middle, Wt, plane);
        for (int a = 0; a < 3; a++)
            plane[a] += pushed[3 * i + a];
        plane[1] += left;
        plane[2] += upward;
        for (int c = 0; c < 3; c++)
            body[c] = plane[0] * R[c] + plane[1] * R[3 + c] + plane[2] * R[6 + c];
        force_errors(body, slope + 3 * i, warmth[i], by_constants);
        double *row = F + (at.velocity + 3 * i) * at.size;
        /* On the way through the block the angles have gone half of their own way. */
        const double by_theta[3] = {-span * plane[2], 0.0, span * plane[0]};
        const double by_roll[3] = {0.0, -span * upward, span * left};
        for (int a = 0; a < 3; a++, row += at.size) {
            memset(row, 0, sizeof(double) * at.size);
            if (by_theta[a] != 0.0)
                add_times(row, 0.5 * by_theta[a], of_theta, at.size);
            if (by_roll[a] != 0.0)
                add_times(row, 0.5 * by_roll[a], of_roll, at.size);
            row[i] += by_theta[a];
            row[at.roll] += by_roll[a];
            for (int c = 0; c < 3; c++)
                row[at.velocity + 3 * i + c] += (a == c) - 2.0 * both[c][a];
            double *of_accel = row + at.constants + PER_SENSOR * i + FIRST_OF_ACCEL;
            for (int c = 0; c < OF_ACCEL; c++)
                of_accel[c] += span * (R[3 * a] * by_constants[0][c] + R[3 * a + 1] * by_constants[1][c] +
                                       R[3 * a + 2] * by_constants[2][c]);
        }
    }
    for (int i = 0; i <= n; i++)
        F[i * at.size + i] += 1.0;
    const int p = at.pivot;
    const double slewed = on_upper ? span * (plane_rate * to_plane[0] - roll_rate * to_plane[6]) : 0.0;
    const double c = cos(slewed), s = sin(slewed), a = x[p], d = x[p + 1];
    F[p * at.size + p] = F[(p + 1) * at.size + p + 1] = c;
    F[p * at.size + p + 1] = s;
    F[(p + 1) * at.size + p] = -s;
    x[p] = c * a + s * d;
    x[p + 1] = c * d - s * a;
    for (int k = at.base; k < at.base + 3; k++)
        x[k] *= F[k * at.size + k];
    memcpy(x, theta_end, sizeof(double) * n);
    x[at.roll] = roll_end;
end:
    let_go(&frame);
    if (frame.failed)
        Py_CLEAR(means);
    return means;
}
