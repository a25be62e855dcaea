//! The boundary of land and sky: matte, edge colours, fill and tone matching.
