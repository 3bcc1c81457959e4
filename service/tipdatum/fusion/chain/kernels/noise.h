/* Process noise, and what frees sensors of their constants; the twins of `ProcessNoise.add` (noise.py) and
   `SensorCorrection.renew` (motion.py). */

PyDoc_STRVAR(add_noise_doc,
"add_noise(P, noise, seen, heard, parts, rules, span, warm, warming)\n\n"
"Args: P (n, n): changed; noise (n,): of the states, velocities and biases completed here; seen: (shake, step,\n"
"missed, force_slope, rate_slope) of the block; heard: (of_late, at_rest) of the persistence; parts:\n"
"(accel_psd, gap densities, jitter variances (N,), warming (N, 2)); rules: (adaptation, folded share, shake\n"
"share, hammered, rectified, rectified_s); warm, warming: factors on the walks of the biases, 1.\n"
"Returns: (3N,) (m/s)² added to the velocities, shares of quick and slow vibration, list of who was struck.");

static PyObject *add_noise(PyObject *module, PyObject *const *args, Py_ssize_t given)
{
    Frame frame = {0};
    PyObject *found = NULL, *struck = NULL, *result = NULL, *s[5], *h[2], *p[4];
    double adaptation, folded, shake_share, hammered, rectified, lasting;
    (void)module;
    if (given != 9 || !PyArg_ParseTuple(args[2], "OOOOO", &s[0], &s[1], &s[2], &s[3], &s[4]) ||
        !PyArg_ParseTuple(args[3], "OO", &h[0], &h[1]) ||
        !PyArg_ParseTuple(args[4], "OOOO", &p[0], &p[1], &p[2], &p[3]) ||
        !PyArg_ParseTuple(args[5], "dddddd", &adaptation, &folded, &shake_share, &hammered, &rectified, &lasting) ||
        !PyArray_Check(s[0])) {
        if (!PyErr_Occurred())
            PyErr_SetString(PyExc_TypeError, "add_noise: nine arguments");
        return NULL;
    }
    const int n = (int)PyArray_SIZE((PyArrayObject *)s[0]);
    const Places at = places_of(n);
    const double T = PyFloat_AsDouble(args[6]), warm = PyFloat_AsDouble(args[7]), warming = PyFloat_AsDouble(args[8]);
    if (PyErr_Occurred())
        return NULL;
    double *P = changed(&frame, args[0], (npy_intp)at.size * at.size, "P");
    double *noise = changed(&frame, args[1], at.size, "noise");
    const double *shake = reals(&frame, s[0], n, "shake"), *step = reals(&frame, s[1], n, "step");
    const double *missed = reals(&frame, s[2], 2 * n, "missed");
    const double *force_slope = reals(&frame, s[3], 3 * n, "force_slope");
    const double *rate_slope = reals(&frame, s[4], 3 * n, "rate_slope");
    const double *of_late = reals(&frame, h[0], n, "of_late"), *at_rest = reals(&frame, h[1], n, "at_rest");
    const double *psd = reals(&frame, p[0], n, "accel_psd"), *gap = reals(&frame, p[1], n, "gaps");
    const double *jitter = reals(&frame, p[2], n, "jitters"), *uneven = reals(&frame, p[3], 2 * n, "warming");
    double *velocity = made(&frame, &found, NPY_DOUBLE, 3 * n, 0, 0);
    if (frame.failed || (struck = PyList_New(0)) == NULL)
        goto end;

    double quick = 0.0, slowly = 0.0, of_roll = 0.0;
    for (int i = 0; i < n; i++) {
        const double blow = fmax(sqrt(shake[i]) - hammered, 0.0);
        const double slow = fmax(of_late[i], 0.0) * (adaptation / T) + (folded / T) * fmax(at_rest[i], 0.0);
        const double shaken = (shake_share * shake_share / 3.0) * shake[i] * step[i];
        const double force = rectified * blow;
        double total = psd[i] + missed[2 * i] + gap[i] * shake[i] + slow + force * force * lasting + shaken;
        quick += shaken / total / n;
        slowly += slow / total / n;
        if (blow > 0.0) {
            PyObject *number = PyLong_FromLong(i);
            if (number == NULL || PyList_Append(struck, number) < 0) {
                Py_XDECREF(number);
                goto end;
            }
            Py_DECREF(number);
        }
        /* A sample taken at another time than it says is wrong by what has changed since. */
        const double late = jitter[i] * step[i], *f = force_slope + 3 * i, turning = rate_slope[3 * i + 1];
        total += late * (f[0] * f[0] + f[1] * f[1] + f[2] * f[2]) / 3.0;
        P[i * at.size + i] += T * (late * turning * turning + missed[2 * i + 1]);
        of_roll += missed[2 * i + 1] / n;
        double *constants = noise + at.constants + PER_SENSOR * i;
        for (int a = 0; a < 3; a++) {
            velocity[3 * i + a] = noise[at.velocity + 3 * i + a] = total * T;
            constants[a] = constants[a] * warm * warm + warming * uneven[2 * i];
            constants[19 + a] += warming * uneven[2 * i + 1];
        }
    }
    P[at.roll * at.size + at.roll] += T / n * of_roll;
    for (int k = 0; k < at.size; k++)
        P[k * at.size + k] += noise[k];
    result = Py_BuildValue("(OddO)", found, quick, slowly, struck);
end:
    Py_XDECREF(found);
    Py_XDECREF(struck);
    let_go(&frame);
    return result;
}

/* rows (3, 3) of a block of `first` (6, 6) times `second` (3, 3), into that block of `result` (6, 6). */
static void block_product(const double *first, const double second[3][3], double *result)
{
    for (int r = 0; r < 3; r++)
        for (int s = 0; s < 3; s++)
            result[6 * r + s] = first[6 * r] * second[0][s] + first[6 * r + 1] * second[1][s] +
                                first[6 * r + 2] * second[2][s];
}

PyDoc_STRVAR(free_constants_doc,
"free_constants(x, warmth, turn, offset)\n\n"
"Args: turn (N, 6, 6), offset (N, 6): as described.\n"
"Returns: the same freed of the constants in x, as `SensorCorrection` has them.");

static PyObject *free_constants(PyObject *module, PyObject *const *args, Py_ssize_t given)
{
    static const int TO[6] = {0, 0, 1, 1, 2, 2}, FROM[6] = {1, 2, 0, 2, 0, 1};
    static const int ONE[3] = {0, 0, 1}, OTHER[3] = {1, 2, 2};
    Frame frame = {0};
    PyObject *found[2] = {0}, *result = NULL;
    (void)module;
    if (given != 4 || !PyArray_Check(args[1])) {
        PyErr_SetString(PyExc_TypeError, "free_constants(x, warmth, turn, offset)");
        return NULL;
    }
    const int n = (int)PyArray_SIZE((PyArrayObject *)args[1]);
    const Places at = places_of(n);
    const double *x = reals(&frame, args[0], at.size, "x"), *warmth = reals(&frame, args[1], n, "warmth");
    const double *turn = reals(&frame, args[2], 36 * n, "turn"), *offset = reals(&frame, args[3], 6 * n, "offset");
    double *turned = made(&frame, &found[0], NPY_DOUBLE, n, 6, 6), *freed = made(&frame, &found[1], NPY_DOUBLE, n, 6, 0);
    if (frame.failed)
        goto end;
    for (int i = 0; i < n; i++) {
        const double *k = x + at.constants + PER_SENSOR * i, *own = turn + 36 * i;
        double small[3][3], force[3][3] = {{0}}, rate[3][3] = {{0}}, of[2][3][3], bias[2][3];
        crossing(k + 16, small);
        for (int a = 0; a < 3; a++) {
            for (int b = 0; b < 3; b++)
                small[a][b] = (a == b) - small[a][b];
            force[a][a] = 1.0 - k[22 + a];
            rate[a][a] = 1.0 - k[3 + a];
            bias[0][a] = k[19 + a] + warmth[i] * k[28 + a];
            bias[1][a] = k[a] + warmth[i] * k[12 + a];
        }
        for (int s = 0; s < 3; s++)
            force[ONE[s]][OTHER[s]] = force[OTHER[s]][ONE[s]] = -k[25 + s];
        for (int c = 0; c < 6; c++)
            rate[FROM[c]][TO[c]] = -k[6 + c];
        product(force, small, of[0]);
        product(rate, small, of[1]);
        for (int part = 0; part < 2; part++) {
            const double *stands = offset + 6 * i + 3 * part;
            double moved[3];
            for (int a = 0; a < 3; a++)
                moved[a] = stands[a] - bias[part][a];
            row_times(moved, of[part], freed + 6 * i + 3 * part);
            for (int column = 0; column < 2; column++)
                block_product(own + 18 * column + 3 * part, of[part], turned + 36 * i + 18 * column + 3 * part);
        }
    }
    result = Py_BuildValue("(OO)", found[0], found[1]);
end:
    Py_XDECREF(found[0]);
    Py_XDECREF(found[1]);
    let_go(&frame);
    return result;
}
