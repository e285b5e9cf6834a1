"""Parts: markings, electrolytics, boards, what may replace what. Plain values in, plain values out."""
