/* A port's reads, stamped and kept without the interpreter: the compiled twin of the loop in
   `serial_driver.py`, which is the reference and says what is meant.

   A thread that waits for bytes here takes neither the interpreter's lock nor its code into cold caches when
   they come, and its stamps do not wait until another thread has given the lock away. */

#define PY_SSIZE_T_CLEAN
#include <Python.h>

#include <errno.h>
#include <poll.h>
#include <pthread.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define MOST_BYTES 4096

typedef struct {
    double t;
    size_t bytes;
} Read;

typedef struct {
    PyObject_HEAD
    pthread_mutex_t lock; /* over what follows; held for a copy of bytes at the most */
    Read *reads;
    size_t count, room;
    char *bytes;
    size_t used, space;
    int stopping;
} Kept;

static double now(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

/* 0, or -1 where there is no memory. */
static int keep_one(Kept *self, double t, const char *data, size_t bytes)
{
    int failed = 0;
    pthread_mutex_lock(&self->lock);
    if (self->count == self->room) {
        size_t room = self->room ? 2 * self->room : 64;
        Read *reads = realloc(self->reads, room * sizeof(Read));
        failed = reads == NULL;
        if (!failed)
            self->reads = reads, self->room = room;
    }
    if (!failed && self->used + bytes > self->space) {
        size_t space = 2 * (self->used + bytes) + MOST_BYTES;
        char *grown = realloc(self->bytes, space);
        failed = grown == NULL;
        if (!failed)
            self->bytes = grown, self->space = space;
    }
    if (!failed) {
        self->reads[self->count++] = (Read){t, bytes};
        if (bytes)
            memcpy(self->bytes + self->used, data, bytes);
        self->used += bytes;
    }
    pthread_mutex_unlock(&self->lock);
    return failed ? -1 : 0;
}

static int stopping(Kept *self)
{
    pthread_mutex_lock(&self->lock);
    int found = self->stopping;
    pthread_mutex_unlock(&self->lock);
    return found;
}

PyDoc_STRVAR(follow_doc,
             "follow(number, wait_ms, longest_s)\n--\n\n"
             "Keep what comes at a file of the system, each read with the monotonic time at which it came; one of\n"
             "no bytes for each `wait_ms` without any. Returns after `stop` None, and where more than `longest_s`\n"
             "lay between two reads how much, s; the last is not kept then. Raises OSError when the line has gone.");

static PyObject *follow(Kept *self, PyObject *args)
{
    int number, wait_ms, failed = 0, ended = 0;
    double longest, gap = 0.0;
    if (!PyArg_ParseTuple(args, "iid", &number, &wait_ms, &longest))
        return NULL;
    Py_BEGIN_ALLOW_THREADS
    char data[MOST_BYTES];
    double before = now();
    while (!stopping(self)) {
        struct pollfd line = {number, POLLIN, 0};
        int ready = poll(&line, 1, wait_ms);
        ssize_t bytes = 0;
        if (ready < 0) {
            if (errno == EINTR)
                continue;
            failed = errno;
            break;
        }
        if (ready > 0) {
            bytes = read(number, data, sizeof data);
            if (bytes == 0) {
                ended = 1;
                break;
            }
            if (bytes < 0) {
                if (errno == EINTR)
                    continue;
                if (errno != EAGAIN && errno != EWOULDBLOCK) {
                    failed = errno;
                    break;
                }
                bytes = 0;
            }
        }
        double t = now();
        if (t - before > longest) {
            gap = t - before;
            break;
        }
        before = t;
        if (keep_one(self, t, data, (size_t)bytes) < 0) {
            failed = ENOMEM;
            break;
        }
    }
    Py_END_ALLOW_THREADS
    if (failed) {
        errno = failed;
        return PyErr_SetFromErrno(PyExc_OSError);
    }
    if (ended) {
        PyErr_SetNone(PyExc_OSError);
        return NULL;
    }
    if (gap > 0.0)
        return PyFloat_FromDouble(gap);
    Py_RETURN_NONE;
}

PyDoc_STRVAR(take_doc, "take()\n--\n\nWhat has been kept since the last call, in order: (bytes, monotonic time in s).");

static PyObject *take(Kept *self, PyObject *Py_UNUSED(ignored))
{
    pthread_mutex_lock(&self->lock);
    Read *reads = self->reads;
    char *bytes = self->bytes;
    size_t count = self->count;
    if (count) {
        self->reads = NULL, self->bytes = NULL;
        self->count = self->room = self->used = self->space = 0;
    }
    pthread_mutex_unlock(&self->lock);
    PyObject *found = PyList_New((Py_ssize_t)count);
    const char *at = bytes;
    for (size_t i = 0; found != NULL && i < count; i++) {
        PyObject *one = Py_BuildValue("(y#d)", at ? at : "", (Py_ssize_t)reads[i].bytes, reads[i].t);
        if (one == NULL)
            Py_CLEAR(found);
        else
            PyList_SET_ITEM(found, (Py_ssize_t)i, one);
        if (at)
            at += reads[i].bytes;
    }
    if (count) {
        free(reads);
        free(bytes);
    }
    return found;
}

PyDoc_STRVAR(stop_doc, "stop()\n--\n\nHave `follow` return; what was kept stays until it is taken.");

static PyObject *stop(Kept *self, PyObject *Py_UNUSED(ignored))
{
    pthread_mutex_lock(&self->lock);
    self->stopping = 1;
    pthread_mutex_unlock(&self->lock);
    Py_RETURN_NONE;
}

static PyObject *made(PyTypeObject *type, PyObject *Py_UNUSED(args), PyObject *Py_UNUSED(names))
{
    Kept *self = (Kept *)type->tp_alloc(type, 0); /* zeroed */
    if (self != NULL)
        pthread_mutex_init(&self->lock, NULL);
    return (PyObject *)self;
}

static void freed(Kept *self)
{
    pthread_mutex_destroy(&self->lock);
    free(self->reads);
    free(self->bytes);
    Py_TYPE(self)->tp_free((PyObject *)self);
}

static PyMethodDef methods[] = {{"follow", (PyCFunction)follow, METH_VARARGS, follow_doc},
                                {"take", (PyCFunction)take, METH_NOARGS, take_doc},
                                {"stop", (PyCFunction)stop, METH_NOARGS, stop_doc},
                                {NULL, NULL, 0, NULL}};

static PyTypeObject kept_type = {
    PyVarObject_HEAD_INIT(NULL, 0).tp_name = "tipdatum_drivers._kept.Kept",
    .tp_basicsize = sizeof(Kept),
    .tp_dealloc = (destructor)freed,
    .tp_flags = Py_TPFLAGS_DEFAULT,
    .tp_doc = "Reads of one opening of a port, kept until they are taken.",
    .tp_methods = methods,
    .tp_new = made,
};

static struct PyModuleDef definition = {
    PyModuleDef_HEAD_INIT, "_kept", "Reads of a port, kept without the interpreter.", -1, NULL, NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__kept(void)
{
    PyObject *module = PyModule_Create(&definition);
    if (module == NULL || PyType_Ready(&kept_type) < 0 || PyModule_AddObjectRef(module, "Kept", (PyObject *)&kept_type) < 0) {
        Py_XDECREF(module);
        return NULL;
    }
    return module;
}
