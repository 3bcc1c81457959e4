"""The default estimator. Its files follow the page that explains it, `docs/estimator.md`:

| section | file |
| --- | --- |
| frames, symbols, state | `model`; figures with their reasons in `tuning` |
| readings into epochs, epochs into blocks | `samples`, `integration`, `schedule` |
| rates | `motion` |
| parts that turn beside the arm plane | `sides`, `swing`, `closure` |
| transition over one block, noise that adapts | `transition` |
| measurements | `measurement`, `levers`, `rows` |
| levelling, start, loss | `beginning`, `finding` |
| one step | `filter` |
| memory of the constants, stated sigma | `memory`, `sigma` |
| prediction to the moment asked for | `prediction`, `knowledge` |
| heave | `heave` |
| whether the sensors agree | `integrity`; `consistency`, `honesty`, `evidence`, `suspicion` |

`estimator` puts them together behind the interface of `tipdatum.fusion.estimator`.
"""
