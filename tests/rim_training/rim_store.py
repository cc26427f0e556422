"""Checkpoints to the arrays the gauge reads: ``rim_store.py rims.pt judge.pt rim_model.npz``."""

import sys

import numpy as np
import torch


def flat_conv(w: torch.Tensor) -> torch.Tensor:
    """(out, in, rows, cols) to (rows * cols * in, out)."""
    return w.permute(2, 3, 1, 0).reshape(-1, w.shape[0])


def reorder(w: np.ndarray, channels: int, *shape: int) -> np.ndarray:
    """First rows of a dense layer from channel-first to channel-last flattening."""
    n = channels * int(np.prod(shape))
    axes = (*range(1, len(shape) + 1), 0, len(shape) + 1)
    head = w[:n].reshape(channels, *shape, -1).transpose(axes).reshape(n, -1)
    return np.concatenate([head, w[n:]])


def main(rims: str, judge: str, target: str) -> None:
    ck = torch.load(rims, map_location="cpu")
    parts = {"coarse": ck["co"], "fine": ck["net"], "judge": torch.load(judge, map_location="cpu")["judge"]}
    out = {}
    for part, arrays in parts.items():
        for name, v in arrays.items():
            if name.startswith("hole."):  # the judge answers instead
                continue
            if v.ndim == 4:
                v = flat_conv(v)
            elif v.ndim == 3:
                v = v.permute(2, 1, 0).reshape(-1, v.shape[0])
            elif v.ndim == 2:
                v = v.T
            out[f"{part}.{name}"] = v.float().numpy()
    out["coarse.f1.weight"] = reorder(out["coarse.f1.weight"], ck["co"]["c3.weight"].shape[0], 4, 4)
    out["fine.flat.weight"] = reorder(out["fine.flat.weight"], ck["net"]["c3.weight"].shape[0], 6)
    names = sorted(out)
    np.savez_compressed(
        target,
        names=np.array(names),
        shapes=np.array([(1, *out[k].shape)[-2:] for k in names], np.int32),  # a bias is one row
        values=np.concatenate([out[k].ravel() for k in names]).astype(np.float16),
    )


if __name__ == "__main__":
    main(*sys.argv[1:4])
