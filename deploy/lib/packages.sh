# Debian packages Bayward needs, and how missing ones are installed. Sourced by deploy/demo and tests/run.

build_packages=(
  g++ cmake ninja-build pkg-config ccache
  libgrpc++-dev libgrpc-dev libprotobuf-dev protobuf-compiler protobuf-compiler-grpc
  libabsl-dev libpqxx-dev libpq-dev prometheus-cpp-dev libboost1.81-dev
  libcli11-dev libtomlplusplus-dev nlohmann-json3-dev libfmt-dev libspdlog-dev
  libmodbus-dev libssl-dev libsqlite3-dev libre2-dev zlib1g-dev
)
run_packages=(postgresql-15 tzdata python3 curl)
test_packages=(
  libgtest-dev libgmock-dev librapidcheck-dev
  python3-pymodbus python3-serial-asyncio python3-grpcio python3-protobuf prometheus
)

# install_missing PACKAGE…: installs those that are not there. Needs root only when something is missing.
install_missing() {
  local missing=() package
  for package in "$@"; do
    dpkg-query -W -f '${Status}' "$package" 2>/dev/null | grep -q 'ok installed' || missing+=("$package")
  done
  [ ${#missing[@]} -eq 0 ] && return
  echo "Installing: ${missing[*]}" >&2
  local as_root=()
  if [ "$(id -u)" -ne 0 ]; then
    command -v sudo >/dev/null || {
      echo "These Debian packages are missing and installing them needs root: ${missing[*]}" >&2
      return 77
    }
    as_root=(sudo)
  fi
  # The packages' own services stay off: Bayward starts what it needs itself.
  "${as_root[@]}" apt-get update -qq
  "${as_root[@]}" env DEBIAN_FRONTEND=noninteractive RUNLEVEL=1 \
    apt-get install -y -qq --no-install-recommends "${missing[@]}" >/dev/null
}
