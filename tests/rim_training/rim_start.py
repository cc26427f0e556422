"""The arrays the gauge reads, as a checkpoint to go on from: ``rim_start.py rim_model.npz rims.pt judge.pt``.

The way back of ``rim_store.py``. What is not stored (the rim model's own word on holes) starts anew.
"""

import sys

import numpy as np
import torch
from rim_net import Coarse, Fine, Judge


def channels_first(w: np.ndarray, channels: int, *shape: int) -> np.ndarray:
    """First rows of a dense layer from channel-last to channel-first flattening."""
    n = channels * int(np.prod(shape))
    k = len(shape)
    head = w[:n].reshape(*shape, channels, -1).transpose(k, *range(k), k + 1).reshape(n, -1)
    return np.concatenate([head, w[n:]])


def main(stored: str, rims: str, judge: str) -> None:
    with np.load(stored) as f:
        names, shapes, values = f["names"], f["shapes"], f["values"].astype(np.float32)
    parts = np.split(values, np.cumsum(shapes.prod(axis=1))[:-1])
    arrays = {str(n): p.reshape(s) for n, p, s in zip(names, parts, shapes, strict=True)}
    coarse, fine = Coarse(), Fine()
    arrays["coarse.f1.weight"] = channels_first(arrays["coarse.f1.weight"], coarse.c3.out_channels, 4, 4)
    arrays["fine.flat.weight"] = channels_first(arrays["fine.flat.weight"], fine.c3.out_channels, 6)
    for part, net in (("coarse", coarse), ("fine", fine), ("judge", of_judge := Judge())):
        for name, to in net.state_dict().items():
            if f"{part}.{name}" not in arrays:
                continue
            w = torch.from_numpy(arrays[f"{part}.{name}"].copy())
            if to.ndim == 4:
                w = w.reshape(*to.shape[2:], to.shape[1], to.shape[0]).permute(3, 2, 0, 1)
            elif to.ndim == 3:
                w = w.reshape(to.shape[2], to.shape[1], to.shape[0]).permute(2, 1, 0)
            elif to.ndim == 2:
                w = w.T
            to.copy_(w.reshape(to.shape))
    torch.save({"net": fine.state_dict(), "co": coarse.state_dict()}, rims)
    torch.save({"judge": of_judge.state_dict()}, judge)


if __name__ == "__main__":
    main(*sys.argv[1:4])
