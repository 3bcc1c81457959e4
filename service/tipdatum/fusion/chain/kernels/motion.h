/* Rates of the arm over a block, and what they depend on; the twin of `RateModel.motion` (motion.py). */

/* ∂ω by a gyro's constants, (3, 19); see `constants.rate_errors`. */
static void rate_errors(const double rate[3], const double *slope, double warmth, double *by)
{
    static const int TO[6] = {0, 0, 1, 1, 2, 2}, FROM[6] = {1, 2, 0, 2, 0, 1};
    double cross[3][3];
    memset(by, 0, sizeof(double) * 3 * OF_GYRO);
    crossing(rate, cross);
    for (int a = 0; a < 3; a++) {
        double *row = by + OF_GYRO * a;
        row[a] = -1.0;
        row[3 + a] = -rate[a];
        row[12 + a] = -warmth;
        row[15] = slope[a];
        for (int b = 0; b < 3; b++)
            row[16 + b] = -cross[a][b];
    }
    for (int c = 0; c < 6; c++)
        by[OF_GYRO * TO[c] + 6 + c] = -rate[FROM[c]];
}

PyDoc_STRVAR(motion_doc,
"motion(x, rate, rate_y, rate_slope, weight, warmth, epoch_s, plane_rate_before)\n\n"
"Returns: theta, turn, roll, tangent, rates of the epochs; theta, rates, body_rate, roll_rate, plane_rate,\n"
"to_plane, roll and its tangent of the mean; state, gyros, constants, own: as in `EpochMotion`, `MeanMotion`,\n"
"`RateJacobians`; theta and roll at the block's end.");

static PyObject *motion(PyObject *module, PyObject *const *args, Py_ssize_t given)
{
    Frame frame = {0};
    PyObject *found[15] = {0}, *theta_end = NULL, *result = NULL;
    (void)module;
    if (given != 8 || !PyArray_Check(args[1]) || PyArray_NDIM((PyArrayObject *)args[1]) != 2) {
        PyErr_SetString(PyExc_TypeError, "motion: eight arguments, rate (N, K)");
        return NULL;
    }
    const int n = (int)PyArray_DIM((PyArrayObject *)args[1], 0), K = (int)PyArray_DIM((PyArrayObject *)args[1], 1);
    const Places at = places_of(n);
    const double T = PyFloat_AsDouble(args[6]), before = PyFloat_AsDouble(args[7]);
    if (PyErr_Occurred())
        return NULL;
    if (n < 1 || n > MOST_SENSORS || K < 1 || K > MOST_EPOCHS) {
        PyErr_Format(PyExc_ValueError, "%d sensors and %d epochs are too many", n, K);
        return NULL;
    }
    const double *x = reals(&frame, args[0], at.size, "x");
    const cplx *rate = complexes(&frame, args[1], n * K, "rate");
    const double *wy = reals(&frame, args[2], n * K, "rate_y"), *slope = reals(&frame, args[3], 3 * n, "rate_slope");
    const double *weight = reals(&frame, args[4], n, "weight"), *warmth = reals(&frame, args[5], n, "warmth");
    double *thetas = made(&frame, &found[0], NPY_DOUBLE, n, K, 0);
    cplx *turn = made(&frame, &found[1], NPY_CDOUBLE, n, K, 0);
    double *rolls = made(&frame, &found[2], NPY_DOUBLE, K, 0, 0);
    double *tangent = made(&frame, &found[3], NPY_DOUBLE, K, 0, 0);
    double *rates = made(&frame, &found[4], NPY_DOUBLE, at.rho, K, 0);
    double *theta = made(&frame, &found[5], NPY_DOUBLE, n, 0, 0);
    double *mean = made(&frame, &found[6], NPY_DOUBLE, at.rho, 0, 0);
    double *body_rate = made(&frame, &found[7], NPY_DOUBLE, n, 3, 0);
    double *roll_rate = made(&frame, &found[8], NPY_DOUBLE, n, 0, 0);
    double *plane_rate = made(&frame, &found[9], NPY_DOUBLE, n, 0, 0);
    double *to_plane = made(&frame, &found[10], NPY_DOUBLE, n, 3, 3);
    double *state = made(&frame, &found[11], NPY_DOUBLE, at.rho, at.size, 0);
    double *gyros = made(&frame, &found[12], NPY_DOUBLE, at.rho, n, 3);
    double *constants = made(&frame, &found[13], NPY_DOUBLE, n, 2, OF_GYRO);
    double *own = made(&frame, &found[14], NPY_DOUBLE, n, 3, OF_GYRO);
    double *end = made(&frame, &theta_end, NPY_DOUBLE, n, 0, 0);
    if (frame.failed)
        goto done;

    /* A gyro's rates are divided between roll and plane by where θ stands, which a lean turns with the plane:
       first with the rate of the block before, then with its own. */
    const double share = 1.0 / K, span = K * T, roll = x[at.roll], lean = tan(roll) * before;
    double turned[MOST_EPOCHS], leans[MOST_EPOCHS], *of_roll = rates, *of_plane = rates + K;
    cplx each[MOST_SENSORS][MOST_EPOCHS], common[MOST_EPOCHS];
    memset(common, 0, sizeof common);
    for (int i = 0; i < n; i++) {
        to_middle(wy + i * K, K, T, turned);
        for (int k = 0; k < K; k++) {
            const double rough = x[i] + lean * (T * (k + 0.5)) - turned[k];
            each[i][k] = rate[i * K + k] * CMPLX(cos(rough), sin(rough));
            common[k] += weight[i] * each[i][k];
        }
    }
    for (int k = 0; k < K; k++)
        leans[k] = creal(common[k]);
    to_middle(leans, K, T, turned);
    for (int k = 0; k < K; k++)
        leans[k] = tan(roll + turned[k]) * cimag(common[k]) - lean;
    to_middle(leans, K, T, turned);
    for (int k = 0; k < K; k++) {
        const cplx more = CMPLX(cos(turned[k]), sin(turned[k]));
        common[k] *= more;
        of_roll[k] = creal(common[k]);
        of_plane[k] = cimag(common[k]);
        for (int i = 0; i < n; i++)
            each[i][k] *= more;
    }
    to_middle(of_roll, K, T, turned);
    double mean_roll = 0.0;
    for (int k = 0; k < K; k++) {
        rolls[k] = roll + turned[k];
        tangent[k] = tan(rolls[k]);
        mean_roll += rolls[k] * share;
        mean[0] += of_roll[k] * share;
        mean[1] += of_plane[k] * share;
    }
    const double tan_roll = tan(mean_roll);
    for (int i = 0; i < n; i++) {
        double *own_rate = rates + (2 + i) * K;
        cplx across = 0.0, both = 0.0;
        for (int k = 0; k < K; k++)
            own_rate[k] = tangent[k] * of_plane[k] - wy[i * K + k];
        to_middle(own_rate, K, T, turned);
        for (int k = 0; k < K; k++) {
            const double angle = x[i] + turned[k];
            thetas[i * K + k] = angle;
            turn[i * K + k] = CMPLX(cos(angle), sin(angle));
            theta[i] += angle * share;
            mean[2 + i] += own_rate[k] * share;
            across += rate[i * K + k] * share;
            both += each[i][k] * share;
            body_rate[3 * i + 1] += wy[i * K + k] * share;
        }
        body_rate[3 * i] = creal(across);
        body_rate[3 * i + 2] = cimag(across);
        roll_rate[i] = creal(both);
        plane_rate[i] = cimag(both);
        end[i] = x[i] + span * mean[2 + i];
        double *R = to_plane + 9 * i;
        R[0] = R[8] = cos(theta[i]);
        R[6] = sin(theta[i]);
        R[2] = -R[6];
        R[4] = 1.0;
    }

    double *by_roll = state, *by_plane = state + at.size;
    for (int i = 0; i < n; i++) {
        const double *R = to_plane + 9 * i, c = R[0], s = R[6];
        double *by = own + 3 * OF_GYRO * i, *of_both = constants + 2 * OF_GYRO * i;
        const int first = at.constants + PER_SENSOR * i;
        rate_errors(body_rate + 3 * i, slope + 3 * i, warmth[i], by);
        for (int a = 0; a < OF_GYRO; a++) {
            of_both[a] = c * by[a] - s * by[2 * OF_GYRO + a];
            of_both[OF_GYRO + a] = s * by[a] + c * by[2 * OF_GYRO + a];
            by_roll[first + a] = weight[i] * of_both[a];
            by_plane[first + a] = weight[i] * of_both[OF_GYRO + a];
        }
        by_roll[i] = -weight[i] * plane_rate[i];
        by_plane[i] = weight[i] * roll_rate[i];
        double *of_gyro = gyros + 3 * i, *in_plane = of_gyro + 3 * n;
        of_gyro[0] = weight[i] * c, of_gyro[2] = -weight[i] * s;
        in_plane[0] = weight[i] * s, in_plane[2] = weight[i] * c;
    }
    for (int b = 0; b < n; b++) {
        double *row = state + (2 + b) * at.size, *by = own + 3 * OF_GYRO * b + OF_GYRO;
        add_times(row, tan_roll, by_plane, at.size);
        add_times(row + at.constants + PER_SENSOR * b, -1.0, by, OF_GYRO);
        row[at.roll] = mean[1] * (1.0 + tan_roll * tan_roll);
        add_times(gyros + (2 + b) * 3 * n, tan_roll, gyros + 3 * n, 3 * n);
        gyros[(2 + b) * 3 * n + 3 * b + 1] -= 1.0;
    }
    result = Py_BuildValue("(OOOOOOOOOOOddOOOOOd)", found[0], found[1], found[2], found[3], found[4], found[5],
                           found[6], found[7], found[8], found[9], found[10], mean_roll, tan_roll, found[11], found[12],
                           found[13], found[14], theta_end, roll + span * mean[0]);
done:
    for (int k = 0; k < 15; k++)
        Py_XDECREF(found[k]);
    Py_XDECREF(theta_end);
    let_go(&frame);
    return result;
}
