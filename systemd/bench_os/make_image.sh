#!/bin/sh
# Make the disk, kernel, initial RAM disk and device tree of the bench's emulated machine.
# Needs root and Debian, and leaves the machine as it found it.
# Usage: make_image.sh DIRECTORY [SUITE=trixie] [MIRROR=...] [PYTHON=one with the project installed]
set -eu

die() {
    printf 'make_image.sh: %s\n' "$*" >&2
    exit 1
}

[ $# = 1 ] || die "give the directory for the image"
mkdir -p "$1"
out=$(CDPATH='' cd -- "$1" && pwd -P)
here=$(CDPATH='' cd -- "$(dirname -- "$0")" && pwd -P)
project=$(CDPATH='' cd -- "$here/../.." && pwd -P)
suite=${SUITE:-trixie}
tree=$out/tree-$suite
PATH=$PATH:/usr/sbin:/sbin

needs() { # needs COMMAND PACKAGE: collect what is missing
    command -v "$1" >/dev/null || missing="${missing:+$missing }$2"
}

missing=''
needs qemu-system-aarch64 qemu-system-arm
needs debootstrap debootstrap
needs dtc device-tree-compiler
needs mke2fs e2fsprogs
if [ "$(dpkg --print-architecture)" != arm64 ]; then needs qemu-aarch64-static qemu-user-static; fi
[ -z "$missing" ] || die "missing: sudo apt-get install $missing"
[ "$(id -u)" = 0 ] || die "this needs root, for the owners of the files in the image: sudo $0 $1"

mirror=${MIRROR:-}
if [ -z "$mirror" ]; then # the one that this machine uses itself
    lists=/etc/apt/sources.list.d
    mirror=$(cat /etc/apt/sources.list $lists/*.sources $lists/*.list 2>/dev/null |
        sed -n -e 's/^URIs:[[:space:]]*\([^[:space:]]*\).*/\1/p' \
            -e 's/^deb[[:space:]]\(\[[^]]*\][[:space:]]*\)\{0,1\}\([^[:space:]]*\).*/\2/p' |
        grep '/debian/\{0,1\}$' | head -n 1)
fi
[ -n "$mirror" ] || die "no Debian mirror in /etc/apt: give one, MIRROR=..."

foreign_programs() { # let this kernel run arm64 programs by user-mode emulation
    [ "$(dpkg --print-architecture)" != arm64 ] || return 0
    if [ ! -e $registry/register ]; then
        mount -t binfmt_misc binfmt_misc $registry
        mounted=yes
    fi
    if [ ! -e $registry/qemu-aarch64 ]; then
        cat /usr/lib/binfmt.d/qemu-aarch64.conf >$registry/register ||
            die "arm64 programs cannot be registered: sudo systemctl restart systemd-binfmt"
        registered=yes
    fi
}

as_found() { # leave the machine as it was found, also after a failure or Ctrl-C
    status=$?
    trap '' HUP INT TERM
    online off
    [ -z "$registered" ] || echo -1 >$registry/qemu-aarch64 || :
    [ -z "$mounted" ] || umount $registry || :
    exit "$status"
}

in_guest() { chroot "$tree" env -i PATH=/usr/sbin:/usr/bin:/sbin:/bin HOME=/root "$@"; }

online() { # online on|off: what the guest's tree needs of this machine to fetch packages
    if [ -d "$tree/etc" ]; then rm -f "$tree/etc/resolv.conf"; fi
    [ "$1" = on ] || return 0
    cp /etc/resolv.conf "$tree/etc/resolv.conf"
}

bootstrap() { # the guest's Debian; kept for the next time
    [ ! -e "$tree/.whole" ] || return 0
    rm -rf "$tree"
    packages=python3,python3-venv,ca-certificates,i2c-tools,gpiod
    debootstrap --arch arm64 --variant minbase \
        --include "systemd,systemd-sysv,udev,kmod,dbus,$packages" "$suite" "$tree" "$mirror"
    mkdir -p "$tree/etc/initramfs-tools/conf.d"
    # Only what is named: an initial RAM disk with all modules takes long.
    echo MODULES=list >"$tree/etc/initramfs-tools/conf.d/bench"
    printf '%s\n' virtio_blk virtio_mmio ext4 >"$tree/etc/initramfs-tools/modules"
    online on
    in_guest apt-get update
    in_guest DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends \
        -o Dpkg::Options::=--force-confold \
        initramfs-tools linux-image-arm64 linux-headers-arm64 make
    in_guest apt-get clean
    touch "$tree/.whole"
}

bench_files() { # the project, the bench's programs, the boot configuration of a Pi
    bench=$tree/opt/bench
    rm -rf "$bench/project"
    mkdir -p "$bench/project" "$tree/boot/firmware" "$tree/var/lib/bench"
    for part in pyproject.toml README.md LICENSE controller hardware api systemd; do
        cp -R "$project/$part" "$bench/project/"
    done
    find "$bench/project" -name __pycache__ -prune -exec rm -rf {} +
    cp "$here"/guest/*.py "$here"/guest/guest_test.sh "$bench/"
    for unit in "$here"/guest/*.service; do
        cp "$unit" "$tree/etc/systemd/system/"
        wanted=$(sed -n 's/^WantedBy=//p' "$unit")
        mkdir -p "$tree/etc/systemd/system/$wanted.wants"
        ln -sf "../$(basename "$unit")" "$tree/etc/systemd/system/$wanted.wants/"
    done
    printf 'dtparam=audio=on\n' >"$tree/boot/firmware/config.txt"
    echo bench >"$tree/etc/hostname"
    echo '127.0.0.1 localhost bench' >"$tree/etc/hosts"
}

gpio_simulator() { # the module with the simulated pins, for the guest's kernel
    kernel=$(basename "$tree"/lib/modules/*)
    module=$tree/lib/modules/$kernel/updates/gpio-bench.ko
    [ ! -e "$module" ] || return 0
    package=linux-source-$(echo "$kernel" | cut -d . -f 1-2)
    version=$(in_guest dpkg-query -W -f '${Version}' "linux-image-$kernel")
    build=$tree/var/tmp/gpio-bench
    rm -rf "$build"
    mkdir -p "$build"
    in_guest sh -c "cd /var/tmp/gpio-bench && apt-get download '$package=$version'"
    dpkg-deb --fsys-tarfile "$build/$package"_*.deb | tar -xO "./usr/src/$package.tar.xz" |
        tar -xJ -C "$build" --strip-components 3 \
            "$package/drivers/gpio/gpio-sim.c" "$package/kernel/irq/irq_sim.c"
    cp "$here"/gpio_sim/* "$build/"
    in_guest make -C "/lib/modules/$kernel/build" M=/var/tmp/gpio-bench modules
    mkdir -p "$(dirname "$module")"
    cp "$build/gpio-bench.ko" "$module"
    in_guest depmod "$kernel"
    rm -rf "$build"
}

bundle() { # what install.sh takes without internet, with the project as it is now
    version=$(basename "$(readlink "$tree/usr/bin/python3")")
    rm -rf "$bench"/bundle
    "${PYTHON:-python3}" "$project/systemd/bundle.py" "$bench/bundle" --python "${version#python}"
    rm "$bench"/bundle/*.tar
}

pack() {
    cp "$tree"/boot/vmlinuz-* "$out/kernel"
    cp "$tree"/boot/initrd.img-* "$out/initrd"
    rm -f "$out/disk.new"
    mke2fs -q -t ext4 -d "$tree" "$out/disk.new" 3G
    qemu-system-aarch64 -machine virt,gic-version=2,dumpdtb="$out/board.dtb" \
        -cpu cortex-a53 -m 1024 -nic none -display none 2>/dev/null
    dtc -q -I dts -O dtb -o "$out/machine.dtbo" "$here/machine.dtso"
    fdtoverlay -i "$out/board.dtb" -o "$out/machine.dtb" "$out/machine.dtbo"
    mv "$out/disk.new" "$out/disk"
}

registry=/proc/sys/fs/binfmt_misc
mounted=''
registered=''
trap as_found EXIT
trap 'exit 129' HUP
trap 'exit 130' INT
trap 'exit 143' TERM
foreign_programs
bootstrap
online on
gpio_simulator
bench_files
bundle
online off
pack
echo "make_image.sh: $suite in $out"
