/* What all kernels use: arrays of numpy in and out, and the places of the state.

   The kernels serve arms whose sensors are inertial units on bodies of the arm plane, all of which spoke: the
   usual case. For such an arm of N sensors the state of `tipdatum.fusion.chain.model` has one form, so that N
   alone tells all places. */

#define AXES 3
#define PER_SENSOR 34
#define OF_GYRO 19    /* constants 0 … 18 of a sensor: what its gyro depends on */
#define OF_ACCEL 16   /* constants 15 … 30: what its accelerometer depends on */
#define FIRST_OF_ACCEL 15
#define LEVER 31
#define MOST_SENSORS 16
#define MOST_EPOCHS 32

typedef double complex cplx;

/* Places in the state, as `model.layout` gives them. */
typedef struct {
    int n, roll, velocity, base, pivot, dynamic, constants, anchor, size, rho;
} Places;

static Places places_of(int n)
{
    Places at;
    at.n = n;
    at.roll = n;
    at.velocity = n + 1;
    at.base = at.velocity + AXES * n;
    at.pivot = at.base + AXES;
    at.dynamic = at.pivot + 2;
    at.constants = at.dynamic;
    at.anchor = at.constants + PER_SENSOR * n;
    at.size = at.anchor + 1;
    at.rho = 2 + n;
    return at;
}

/* Arrays that a call has borrowed or made; all are let go at its end. */
typedef struct {
    PyObject *held[40];
    int count, failed;
} Frame;

static void *keep(Frame *frame, PyObject *array)
{
    if (array == NULL) {
        frame->failed = 1;
        return NULL;
    }
    frame->held[frame->count++] = array;
    return PyArray_DATA((PyArrayObject *)array);
}

static void let_go(Frame *frame)
{
    while (frame->count > 0)
        Py_DECREF(frame->held[--frame->count]);
}

static void *of_type(Frame *frame, PyObject *given, int type, npy_intp count, const char *name)
{
    PyObject *array;
    if (frame->failed)
        return NULL;
    array = PyArray_FROMANY(given, type, 0, 0, NPY_ARRAY_IN_ARRAY);
    if (array != NULL && PyArray_SIZE((PyArrayObject *)array) != count) {
        PyErr_Format(PyExc_ValueError, "%s: %zd numbers expected, found %zd", name, (Py_ssize_t)count,
                     (Py_ssize_t)PyArray_SIZE((PyArrayObject *)array));
        Py_CLEAR(array);
    }
    return keep(frame, array);
}

/* An argument of so many real, or complex, numbers; a copy where it is not contiguous. */
static const double *reals(Frame *frame, PyObject *given, npy_intp count, const char *name)
{
    return of_type(frame, given, NPY_DOUBLE, count, name);
}

static const cplx *complexes(Frame *frame, PyObject *given, npy_intp count, const char *name)
{
    return of_type(frame, given, NPY_CDOUBLE, count, name);
}

/* An argument that is changed in place. */
static double *changed(Frame *frame, PyObject *given, npy_intp count, const char *name)
{
    if (frame->failed)
        return NULL;
    if (!PyArray_Check(given) || PyArray_TYPE((PyArrayObject *)given) != NPY_DOUBLE ||
        !PyArray_ISCARRAY((PyArrayObject *)given) || PyArray_SIZE((PyArrayObject *)given) != count) {
        PyErr_Format(PyExc_ValueError, "%s: %zd numbers in a row expected", name, (Py_ssize_t)count);
        frame->failed = 1;
        return NULL;
    }
    return PyArray_DATA((PyArrayObject *)given);
}

/* A result of up to three dimensions, zeros; 0 ends the list of them. */
static void *made(Frame *frame, PyObject **result, int type, npy_intp a, npy_intp b, npy_intp c)
{
    npy_intp shape[3] = {a, b, c};
    if (frame->failed)
        return NULL;
    *result = PyArray_ZEROS(b == 0 ? 1 : c == 0 ? 2 : 3, shape, type, 0);
    if (*result != NULL)
        Py_INCREF(*result);
    return keep(frame, *result);
}

/* What has turned by the middle of each epoch, from rates of K epochs of T s. */
static void to_middle(const double *rate, int K, double T, double *turned)
{
    double sum = 0.0;
    for (int k = 0; k < K; k++) {
        turned[k] = T * (sum + 0.5 * rate[k]);
        sum += rate[k];
    }
}

/* y += factor · x */
static void add_times(double *restrict y, double factor, const double *restrict x, int count)
{
    for (int k = 0; k < count; k++)
        y[k] += factor * x[k];
}

/* [v]×, row by row. */
static void crossing(const double v[3], double matrix[3][3])
{
    matrix[0][0] = 0.0, matrix[0][1] = -v[2], matrix[0][2] = v[1];
    matrix[1][0] = v[2], matrix[1][1] = 0.0, matrix[1][2] = -v[0];
    matrix[2][0] = -v[1], matrix[2][1] = v[0], matrix[2][2] = 0.0;
}

static void product(const double a[3][3], const double b[3][3], double c[3][3])
{
    for (int r = 0; r < 3; r++)
        for (int s = 0; s < 3; s++)
            c[r][s] = a[r][0] * b[0][s] + a[r][1] * b[1][s] + a[r][2] * b[2][s];
}

/* A row times a matrix. */
static void row_times(const double row[3], const double m[3][3], double result[3])
{
    for (int s = 0; s < 3; s++)
        result[s] = row[0] * m[0][s] + row[1] * m[1][s] + row[2] * m[2][s];
}
