/* The inner parts of the chain filter, compiled: the same sums, products and Jacobians as in the Python files
   beside this one, which are the reference and say what is meant. `compiled.py` tells when they are used, and
   tests hold both together; what differs is the order in which sums are taken, and so their last digits. */

#define PY_SSIZE_T_CLEAN
#define NPY_NO_DEPRECATED_API NPY_1_20_API_VERSION
#include <Python.h>
#include <numpy/arrayobject.h>

#include <complex.h>
#include <math.h>
#include <string.h>

#ifndef CMPLX
#define CMPLX(re, im) ((double)(re) + I * (double)(im))
#endif

#include "kernels/arrays.h"
#include "kernels/products.h"

#include "kernels/block.h"
#include "kernels/motion.h"
#include "kernels/transition.h"
#include "kernels/velocity.h"
#include "kernels/update.h"
#include "kernels/noise.h"
#include "kernels/consistency.h"

#define KERNEL(name) {#name, (PyCFunction)(void (*)(void))name, METH_FASTCALL, name##_doc}

static PyMethodDef methods[] = {
    KERNEL(block), KERNEL(motion), KERNEL(forward), KERNEL(foresee),
    KERNEL(measure), KERNEL(innovate), KERNEL(gain),    KERNEL(add_noise),
    KERNEL(free_constants), KERNEL(compare), KERNEL(carry),
    KERNEL(apart),   {NULL, NULL, 0, NULL}};

static struct PyModuleDef definition = {
    PyModuleDef_HEAD_INIT, "_kernels", "The chain filter's inner parts, compiled.", -1, methods, NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__kernels(void)
{
    import_array();
    return PyModule_Create(&definition);
}
